package gate_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/gate"
)

var update = flag.Bool("update", false, "rewrite the recorded session")

// session is what went through the folder while the controller of testdata ran,
// one JSON line a question, with the answer that the line gave and what became
// of it, then the results that it took.
const session = "testdata/session.jsonl"

type exchange struct {
	Question string `json:"question,omitempty"` // as the file was
	Answer   string `json:"answer,omitempty"`   // as the file was
	End      string `json:"end,omitempty"`      // what the station made of it
	Result   string `json:"result,omitempty"`   // a line that the controller printed at its end
}

// serials are those that the controller is asked about, in order.
func serials() []string {
	return []string{"A1", "B1", "B2", "TWICE", "WRONG", "LATE", "BABBLE", "A2", "END"}
}

// epoch is when the questions of the session are asked: far ahead, so that no
// controller's clock finds them expired.
func epoch() time.Time { return time.Date(2099, 3, 1, 6, 0, 0, 0, time.UTC) }

// ignoredAnswers is a log that tells of each answer that was ignored.
type ignoredAnswers chan string

func (c ignoredAnswers) Enabled(context.Context, slog.Level) bool { return true }
func (c ignoredAnswers) WithAttrs([]slog.Attr) slog.Handler       { return c }
func (c ignoredAnswers) WithGroup(string) slog.Handler            { return c }
func (c ignoredAnswers) Handle(_ context.Context, r slog.Record) error {
	if r.Level == slog.LevelWarn {
		r.Attrs(func(a slog.Attr) bool { c <- a.Value.String(); return true })
	}
	return nil
}

// asked asks for one serial and says what came of it: an answer, or the reason
// why one was ignored.
func (l *line) asked(serial string, ignored ignoredAnswers) string {
	ctx, cancel := context.WithCancel(l.t.Context())
	defer cancel()
	over := make(chan error, 1)
	go func() {
		_, err := l.May(ctx, station.Ask{Nest: "A", Serial: serial, UnitID: "u1", Product: "hopper-1", Attempt: 1})
		over <- err
	}()
	select {
	case err := <-over:
		if err == nil {
			return "may start"
		}
		return err.Error()
	case why := <-ignored:
		cancel()
		if err := <-over; !errors.Is(err, context.Canceled) {
			l.t.Errorf("%s: %v", serial, err)
		}
		return why
	}
}

// TestController runs a line controller that was written from the page alone, in
// another language, and holds the session against the recorded one.
func TestController(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("skipped: no python3 on this machine, so the controller was not run; its recorded session is replayed by TestSession")
	}
	l, ignored := newLine(t), make(ignoredAnswers, 1)
	l.o.Now, l.o.Wait, l.o.Logger = epoch, time.Minute, slog.New(ignored)
	l.open()
	l.serve()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	kept := filepath.Join(t.TempDir(), "session")
	c := exec.CommandContext(ctx, python, "testdata/controller.py", l.shared, kept)
	var out, talk bytes.Buffer
	c.Stdout, c.Stderr = &out, &talk
	for n := range 3 {
		if err := l.Result(ctx, verdict(uint64(n%2+1), "A1")); err != nil {
			t.Error(err)
		}
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	var ends []string
	for _, serial := range serials() {
		ends = append(ends, l.asked(serial, ignored))
	}
	if err := c.Wait(); err != nil {
		t.Fatalf("the controller: %v\n%s", err, &talk)
	}
	l.end()
	data, err := os.ReadFile(kept)
	if err != nil {
		t.Fatal(err)
	}
	var all []exchange
	for line := range strings.Lines(string(data)) {
		var e exchange
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if len(all) > 0 && all[len(all)-1].Question == e.Question {
			continue // the answer that it gave twice
		}
		if len(all) < len(ends) {
			e.End = ends[len(all)]
		}
		all = append(all, e)
	}
	for line := range strings.Lines(out.String()) {
		all = append(all, exchange{Result: strings.TrimSuffix(line, "\n")})
	}
	var got bytes.Buffer
	for _, e := range all {
		line, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		got.Write(append(line, '\n'))
	}
	if *update {
		if err := os.WriteFile(session, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(session)
	if err != nil || got.String() != string(want) {
		t.Errorf("%v, the session differs from %s:\n%s", err, session, &got)
	}
}

// TestSession replays the recorded session: the same questions, and the same
// ends from the same answers.
func TestSession(t *testing.T) {
	data, err := os.ReadFile(session)
	if err != nil {
		t.Fatal(err)
	}
	var all []exchange
	results := 0
	for line := range strings.Lines(string(data)) {
		var e exchange
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if e.Result != "" {
			results++
			continue
		}
		all = append(all, e)
	}
	if len(all) != len(serials()) || results != 2 {
		t.Fatalf("%d exchanges, %d results", len(all), results)
	}
	synctest.Test(t, func(t *testing.T) {
		l, ignored := newLine(t), make(ignoredAnswers, 1)
		l.o.Now, l.o.Wait, l.o.Logger = epoch, time.Minute, slog.New(ignored)
		l.open()
		l.serve()
		for i, e := range all {
			over := make(chan string, 1)
			go func() { over <- l.asked(serials()[i], ignored) }()
			synctest.Wait()
			request := fmt.Sprintf("r%d", i+1)
			question, err := os.ReadFile(l.out("question-" + request + ".json"))
			if err != nil || string(question) != e.Question {
				t.Errorf("question %s, want %s, %v", question, e.Question, err)
			}
			l.answer(request, e.Answer)
			if end := <-over; end != e.End {
				t.Errorf("%s: %s, want %s", serials()[i], end, e.End)
			}
			synctest.Wait()
		}
		l.end()
	})
}

var _ station.Gate = (*gate.Folder)(nil)
