package gate_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/gate"
)

// line is a gate and its share.
type line struct {
	*gate.Folder
	t      *testing.T
	shared string
	o      gate.Options
	end    func()
}

// newLine makes a share and a gate that is not served yet.
func newLine(t *testing.T) *line {
	t.Helper()
	l := &line{t: t, shared: t.TempDir(), end: func() {}}
	for _, f := range []string{"out", "in"} {
		if err := os.Mkdir(filepath.Join(l.shared, f), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	asked := 0
	l.o = gate.Options{Station: "cal-1", Shared: l.shared, Waiting: filepath.Join(t.TempDir(), "waiting"), Wait: 5 * time.Second,
		Request: func() string { asked++; return fmt.Sprintf("r%d", asked) }}
	l.open()
	return l
}

func (l *line) open() {
	l.t.Helper()
	f, err := gate.New(l.o)
	if err != nil {
		l.t.Fatal(err)
	}
	l.Folder = f
}

// serve begins to serve; in a bubble it ends with the test.
func (l *line) serve() {
	l.end = l.Begin(func(fn func() error) <-chan error {
		over := make(chan error, 1)
		go func() { over <- fn() }()
		return over
	})
}

func (l *line) out(name string) string { return filepath.Join(l.shared, "out", name) }
func (l *line) in(name string) string  { return filepath.Join(l.shared, "in", name) }

func (l *line) names(folder string) string {
	l.t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		l.t.Fatal(err)
	}
	var all []string
	for _, e := range entries {
		all = append(all, e.Name())
	}
	return strings.Join(all, " ")
}

// ask begins a question and returns where its end comes.
func (l *line) ask(serial string) <-chan error {
	over := make(chan error, 1)
	go func() {
		_, err := l.May(l.t.Context(), station.Ask{Nest: "A", Serial: serial, UnitID: "u1", Product: "hopper-1", Attempt: 1})
		over <- err
	}()
	synctest.Wait()
	return over
}

func (l *line) answer(request, text string) {
	l.t.Helper()
	if err := os.WriteFile(l.in("answer-"+request+".json"), []byte(text), 0o640); err != nil {
		l.t.Fatal(err)
	}
}

// yes is an answer, with changes of the kind old, new.
func yes(request, serial string, changes ...string) string {
	text := fmt.Sprintf(`{"schema":"panecal.gate_answer/1","request":%q,"serial":%q,"may_start":true,"reason":"","expires":"2999-01-01T00:00:00Z"}`, request, serial)
	return strings.NewReplacer(changes...).Replace(text)
}

func verdict(sequence uint64, serial string) station.Verdict {
	return station.Verdict{Schema: station.VerdictSchema, Station: "cal-1", Generation: 1, Sequence: sequence, Serial: serial, Outcome: station.Passed,
		Disposition: station.Release, Purpose: station.Production}
}

// TestAnswers: a yes starts, a no refuses with its reason, and nothing else does
// anything: then the site's time passes.
func TestAnswers(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want string // of the error, "" for a start, "silent" for none in time
	}{
		"yes":              {yes("r1", "A1"), ""},
		"no":               {yes("r1", "A1", "true", "false", `"reason":""`, `"reason":"not in this lot"`), "not in this lot"},
		"no reason":        {yes("r1", "A1", "true", "false"), "the line says no"},
		"hostile reason":   {yes("r1", "A1", "true", "false", `"reason":""`, `"reason":"\u001b[2J\u202e`+strings.Repeat("x", 300)+`"`), "<1B>[2J<U+202E>" + strings.Repeat("x", 104) + "…"},
		"unknown key":      {yes("r1", "A1", `"reason"`, `"colour":3,"reason"`), ""},
		"other request":    {yes("r0", "A1"), "silent"},
		"other serial":     {yes("r1", "A2"), "silent"},
		"other schema":     {yes("r1", "A1", "answer/1", "answer/2"), "silent"},
		"expired":          {yes("r1", "A1", "2999", "1999"), "silent"},
		"no expiry":        {yes("r1", "A1", `"expires"`, `"expires_"`), "silent"},
		"nothing said":     {yes("r1", "A1", `"may_start":true,`, ""), "silent"},
		"a string":         {yes("r1", "A1", "true", `"true"`), "silent"},
		"no JSON":          {"yes", "silent"},
		"half":             {yes("r1", "A1")[:40], "silent"},
		"too long":         {yes("r1", "A1") + strings.Repeat(" ", 16<<10), "silent"},
		"nothing":          {"", "silent"},
		"a list":           {"[" + yes("r1", "A1") + "]", "silent"},
		"deep":             {strings.Repeat("[", 10000), "silent"},
		"a negative start": {yes("r1", "A1", "true", "null"), "silent"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLine(t)
				l.serve()
				over := l.ask("A1")
				if got := l.names(l.out("")); got != "question-r1.json" {
					t.Fatalf("out has %q", got)
				}
				l.answer("r1", c.text)
				err := <-over
				switch {
				case c.want == "" && err != nil, c.want == "silent" && !errors.Is(err, station.ErrSilent),
					c.want != "" && c.want != "silent" && (err == nil || err.Error() != c.want):
					t.Errorf("%v, want %q", err, c.want)
				}
				synctest.Wait()
				if got := l.names(l.out("")) + l.names(l.in("")); got != "" {
					t.Errorf("left behind: %q", got)
				}
				l.end()
			})
		})
	}
}

// TestNoPlainAnswer: what is no file is never waited for.
func TestNoPlainAnswer(t *testing.T) {
	for name, put := range map[string]func(path string) error{
		"pipe":   func(path string) error { return syscall.Mkfifo(path, 0o600) },
		"folder": func(path string) error { return os.Mkdir(path, 0o700) },
		"link": func(path string) error {
			other := path + "-elsewhere"
			if err := os.WriteFile(other, []byte(yes("r1", "A1")), 0o600); err != nil {
				return err
			}
			return os.Symlink(other, path)
		},
		"device": func(path string) error { return os.Symlink("/dev/zero", path) },
	} {
		synctest.Test(t, func(t *testing.T) {
			l := newLine(t)
			l.serve()
			over := l.ask("A1")
			if err := put(l.in("answer-r1.json")); err != nil {
				t.Fatal(err)
			}
			if err := <-over; !errors.Is(err, station.ErrSilent) {
				t.Errorf("%s: %v", name, err)
			}
			l.end()
		})
	}
}

// TestStaleAnswers: an answer from before, after or to another question starts
// nothing, and at a start everything old is taken away.
func TestStaleAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(t)
		l.answer("r1", yes("r1", "A1")) // from before the start: the name may be guessed
		if err := os.WriteFile(l.out("question-old.json"), nil, 0o640); err != nil {
			t.Fatal(err)
		}
		l.serve()
		synctest.Wait()
		if got := l.names(l.out("")) + l.names(l.in("")); got != "" {
			t.Errorf("after the start: %q", got)
		}
		if err := <-l.ask("A1"); !errors.Is(err, station.ErrSilent) {
			t.Fatal(err)
		}
		l.answer("r1", yes("r1", "A1")) // late
		over := l.ask("A1")
		time.Sleep(time.Second)
		if len(over) != 0 {
			t.Error("a late answer to an earlier question was taken")
		}
		one, two := over, l.ask("A2")
		l.answer("r3", yes("r3", "A2"))
		if err := <-two; err != nil {
			t.Error(err)
		}
		if len(one) != 0 {
			t.Error("the answer for another unit was taken")
		}
		l.answer("r2", yes("r2", "A1"))
		if err := <-one; err != nil {
			t.Error(err)
		}
		l.end()
	})
}

// TestResults: each once, in order, the same name for the same record, and the
// newest of a name.
func TestResults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(t)
		for i := range 3 {
			if err := l.Result(t.Context(), verdict(uint64(i+1), "A1")); err != nil {
				t.Fatal(err)
			}
		}
		again := verdict(2, "A1")
		again.Again = true
		for range 2 {
			if err := l.Result(t.Context(), again); err != nil {
				t.Fatal(err)
			}
		}
		held := verdict(3, "A1")
		held.Disposition = station.Hold
		if err := l.Result(t.Context(), held); err != nil {
			t.Fatal(err)
		}
		l.serve()
		synctest.Wait()
		want := "result-cal-1-0001-000000000001.json result-cal-1-0001-000000000002.json result-cal-1-0001-000000000003.json"
		if got := l.names(l.out("")); got != want {
			t.Errorf("out has %q", got)
		}
		second, err := os.ReadFile(l.out("result-cal-1-0001-000000000002.json"))
		if err != nil || !strings.Contains(string(second), `"again": false`) {
			t.Errorf("%s, %v", second, err)
		}
		third, err := os.ReadFile(l.out("result-cal-1-0001-000000000003.json"))
		if err != nil || !strings.Contains(string(third), `"disposition": "hold"`) {
			t.Errorf("%s, %v", third, err)
		}
		if n, err := gate.Backlog(filepath.Dir(l.o.Waiting)); n != 0 || err != nil {
			t.Error(n, err)
		}
		if got := l.names(l.o.Waiting); got != "" {
			t.Errorf("still waits: %q", got)
		}
		l.end()
	})
}

// TestDeadShare: a share that is removed, full, or hangs holds no question
// longer than the site says and no result at all; nothing is lost, through a
// restart too.
func TestDeadShare(t *testing.T) {
	for _, how := range []string{"removed", "full", "hangs"} {
		t.Run(how, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLine(t)
				revive := func() {}
				switch how {
				case "removed":
					if err := os.Rename(l.shared, l.shared+"-away"); err != nil {
						t.Fatal(err)
					}
					revive = func() {
						if err := os.Rename(l.shared+"-away", l.shared); err != nil {
							t.Fatal(err)
						}
					}
				case "full":
					full := true
					revive = l.Put(func() error {
						if full {
							return syscall.ENOSPC
						}
						return nil
					}, func() { full = false })
				case "hangs":
					stuck := make(chan struct{})
					revive = l.Put(func() error { <-stuck; return nil }, func() { close(stuck) })
				}
				l.serve()
				for i := range 3 {
					began := time.Now()
					if err := <-l.ask("A1"); !errors.Is(err, station.ErrSilent) {
						t.Errorf("%v", err)
					}
					if d := time.Since(began); d != l.o.Wait {
						t.Errorf("a question took %v", d)
					}
					began = time.Now()
					if err := l.Result(context.Background(), verdict(uint64(i+1), "A1")); err != nil {
						t.Error(err)
					}
					if d := time.Since(began); d != 0 {
						t.Errorf("a result took %v", d)
					}
				}
				began := time.Now()
				l.end()
				if d := time.Since(began); d > time.Second {
					t.Errorf("the end took %v", d)
				}
				if how != "hangs" { // another start, the share still dead
					l.open()
					l.serve()
					synctest.Wait()
				}
				if n, err := gate.Backlog(filepath.Dir(l.o.Waiting)); err != nil || l.o.Waiting == "" || n != 0 && n != 3 {
					t.Error(n, err)
				}
				revive()
				if how == "removed" {
					l.end()
					l.open()
					l.serve()
				}
				time.Sleep(time.Minute)
				synctest.Wait()
				if got := strings.Fields(l.names(l.out(""))); len(got) != 3 || !strings.HasPrefix(got[0], "result-") {
					t.Errorf("out has %q", got)
				}
				if got := l.names(l.o.Waiting); got != "" {
					t.Errorf("still waits: %q", got)
				}
				l.end()
			})
		})
	}
}

// TestCancelledQuestion: the end of the station ends a question at once.
func TestCancelledQuestion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(t)
		ctx, cancel := context.WithCancel(t.Context())
		over := make(chan error, 1)
		go func() { _, err := l.May(ctx, station.Ask{Serial: "A1"}); over <- err }()
		synctest.Wait()
		began := time.Now()
		cancel()
		if err := <-over; err == nil || errors.Is(err, station.ErrSilent) || time.Since(began) != 0 {
			t.Errorf("%v after %v", err, time.Since(began))
		}
	})
}
