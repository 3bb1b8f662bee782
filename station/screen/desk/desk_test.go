package desk_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/station/screen/desk"
	"example.org/panecal/station/screen/term"
)

var update = flag.Bool("update", false, "write the golden files anew")

// fake is a log in memory.
type fake struct {
	file    *limits.File
	blocks  []*block
	newest  uint64
	err     error
	wrote   map[string]string
	scanned int
}

// block is some attempts, as columns.
type block struct {
	n      int
	floats map[string][]float64
	ints   map[string][]int64
	texts  map[string][]string
}

func (b *block) Rows() int { return b.n }
func (b *block) Floats(name string, into []float64) ([]float64, error) {
	return column(b.floats, name, into)
}
func (b *block) Ints(name string, into []int64) ([]int64, error) { return column(b.ints, name, into) }
func (b *block) Texts(name string, into []string) ([]string, error) {
	return column(b.texts, name, into)
}

func column[T any](m map[string][]T, name string, into []T) ([]T, error) {
	v, ok := m[name]
	if !ok {
		return nil, fmt.Errorf("no column %s", name)
	}
	return append(into[:0], v...), nil
}

func (f *fake) Choose(_ context.Context, text string) (desk.Choice, error) {
	if strings.Contains(text, "--nets") {
		return desk.Choice{}, errors.New("unknown flag: --nets: flags as of panecal export, such as --nest B")
	}
	if len(f.blocks) == 0 && f.err == nil {
		return desk.Choice{}, desk.ErrEmpty
	}
	return desk.Choice{Text: text, Product: "hopper-54"}, f.err
}

func (f *fake) InForce(context.Context, string) (*limits.File, error) { return f.file, f.err }

func (f *fake) scan(text string, checks bool, each func(whatif.Rows, []bool) error, progress func(int, int)) error {
	for n, b := range f.blocks {
		picked := make([]bool, b.n)
		for i := range picked {
			picked[i] = (b.texts["purpose"][i] == "check") == checks && (!strings.Contains(text, "--nest ") || strings.Contains(text, "--nest "+b.texts["nest"][i]))
		}
		progress(n+1, len(f.blocks))
		if err := each(b, picked); err != nil {
			return err
		}
	}
	return nil
}

func (f *fake) Scan(_ context.Context, c desk.Choice, _ int, each func(whatif.Rows, []bool) error, progress func(int, int)) ([]whatif.Unit, error) {
	f.scanned++
	return nil, f.scan(c.Text, false, each, progress)
}

func (f *fake) Checks(_ context.Context, c desk.Choice, each func(whatif.Rows, []bool) error) error {
	return f.scan(c.Text, true, each, func(int, int) {})
}

func (f *fake) Export(_ context.Context, c desk.Choice, path string) error {
	return f.WriteText(path, "attempts of "+c.Text)
}

func (f *fake) WriteText(path, text string) error {
	if strings.HasPrefix(path, "nowhere/") {
		return errors.New("no such folder")
	}
	f.wrote[path] = text
	return nil
}

func (f *fake) Newest(context.Context) (uint64, error) { return f.newest, nil }

// past is a log of n attempts over some days, every 25th of a check unit.
func past(t testing.TB, n int) *fake {
	t.Helper()
	text, err := os.ReadFile("../../../cmd/panecal/sample/hopper-54.limits.toml")
	if err != nil {
		t.Fatal(err)
	}
	file, err := limits.Read("hopper-54.limits.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	f := &fake{file: file, newest: uint64(n), wrote: map[string]string{}}
	r := rand.New(rand.NewPCG(1, 1))
	start := time.Date(2026, 9, 14, 6, 0, 0, 0, time.UTC)
	var b *block
	for i := range n {
		if i%500 == 0 {
			b = &block{floats: map[string][]float64{}, ints: map[string][]int64{}, texts: map[string][]string{}}
			f.blocks = append(f.blocks, b)
		}
		s := quantity.Set{}
		for _, l := range file.Limits {
			v, u := *l.Typical, *l.TypicalU
			sd := 3 * u
			if l.TypicalSD != nil {
				sd = *l.TypicalSD
			}
			v += sd * r.NormFloat64()
			if i%40 == 0 {
				v += 8 * sd
			}
			m := quantity.Measured{Value: quantity.Value{V: v, U: u}}
			if l.Zoned {
				m.Zones = []quantity.Value{m.Value, {V: v * 0.9, U: u}}
			}
			s[l.Name] = m
		}
		j := file.Judge(s)
		row, err := s.Row()
		if err != nil {
			t.Fatal(err)
		}
		b.n++
		for _, d := range quantity.All() {
			put := func(name string, at int) { b.floats[name] = append(b.floats[name], row[at]) }
			put(string(d.Name), d.Column)
			put(string(d.Name)+"_u", d.Column+1)
			for k := range quantity.Guards {
				if d.Zoned {
					put(whatif.Side(d.Name, float64(k), true), d.Column+2+k)
					put(whatif.Side(d.Name, float64(k), false), d.Column+2+quantity.Guards+k)
				}
			}
		}
		ints := map[string]int64{"sequence": int64(i + 1), "attempt": 1, "soft_bin": int64(j.SoftBin), "time_ns": start.Add(time.Duration(i) * 9 * time.Minute).UnixNano()}
		texts := map[string]string{"soft_bin_name": j.SoftName, "serial": fmt.Sprintf("H54-%05d", i+1), "nest": string(rune('A' + i%3)), "outcome": j.Outcome, "purpose": "production",
			"lot": fmt.Sprintf("L%02d", i/200)}
		for _, g := range desk.Groupings() {
			if _, ok := texts[g]; !ok {
				texts[g] = ""
			}
		}
		if i%25 == 0 {
			texts["purpose"], texts["serial"], texts["nest"] = "check", fmt.Sprintf("H54-990000%d", i/25%2+1), "A"
		}
		for k, v := range ints {
			b.ints[k] = append(b.ints[k], v)
		}
		for k, v := range texts {
			b.texts[k] = append(b.texts[k], v)
		}
	}
	return f
}

func options(f *fake) desk.Options {
	depth := term.Colourless
	return desk.Options{Log: f, Colour: &depth, Location: time.UTC}
}

// golden compares a screen with a file of testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name+".txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if want = bytes.ReplaceAll(want, []byte("\r\n"), []byte("\n")); string(want) != got {
		t.Errorf("%s differs; got\n%s", file, got)
	}
}

// Each page at both sizes, as it stands in testdata.
func TestPictures(t *testing.T) {
	f := past(t, 1500)
	for _, size := range [][2]int{{80, 24}, {120, 40}} {
		s := desk.NewScreen(t.Context(), options(f), size[0], size[1])
		show := func(name string) { golden(t, fmt.Sprintf("%s-%dx%d", name, size[0], size[1]), s.View()+"\n") }
		s.Press("left", "left", "down")
		show("limits-moved")
		for i, name := range []string{"yield", "bins", "groups", "checks"} {
			s.Press(fmt.Sprint(i + 2))
			show(name)
		}
	}
	o := options(f)
	o.ASCII = true
	s := desk.NewScreen(t.Context(), o, 80, 24)
	s.Press("left", "left", "down")
	golden(t, "limits-moved-ascii-80x24", s.View()+"\n")
	s.Press("?")
	golden(t, "help-ascii-80x24", s.View()+"\n")
	golden(t, "reading-80x24", desk.Begin(t.Context(), options(f), 80, 24, 3, 8)+"\n")
}

// Whatever the size, the screen fills it and no more; in ASCII it is ASCII.
func TestSizes(t *testing.T) {
	f := past(t, 600)
	o := options(f)
	o.ASCII = true
	plain, rich := desk.NewScreen(t.Context(), o, 80, 24), desk.NewScreen(t.Context(), options(f), 80, 24)
	for _, page := range []string{"1", "2", "3", "4", "5"} {
		for _, s := range []*desk.Screen{plain, rich} {
			s.Press(page)
			for _, size := range [][2]int{{1, 1}, {20, 6}, {60, 18}, {61, 19}, {79, 24}, {80, 24}, {120, 40}, {200, 60}, {300, 20}} {
				s.Resize(size[0], size[1])
				for _, more := range [][]string{{"?"}, {"?"}, {"/"}, {"esc"}, {"right"}} {
					s.Press(more...)
					lines := strings.Split(s.View(), "\n")
					if len(lines) != size[1] {
						t.Errorf("page %s %v after %v: %d lines", page, size, more, len(lines))
					}
					for _, l := range lines {
						if ansi.StringWidth(l) > size[0] {
							t.Errorf("page %s %v after %v: wide: %q", page, size, more, l)
						}
						if s == plain && strings.ContainsFunc(l, func(r rune) bool { return r > '~' }) {
							t.Errorf("page %s %v: no ASCII: %q", page, size, l)
						}
					}
				}
			}
		}
	}
}

// What the limits page tells is what trying a file with that limit tells.
func TestMovedIsTried(t *testing.T) {
	f := past(t, 600)
	s := desk.NewScreen(t.Context(), options(f), 80, 24)
	check := func(what string) {
		t.Helper()
		low, high, k := s.Limit()
		file := *f.file
		file.Limits = slices.Clone(f.file.Limits)
		l := &file.Limits[0]
		l.Low, l.High, l.K = low, high, float64(k)
		if l.LowBin == nil {
			l.LowBin = l.HighBin
		}
		trial, err := whatif.New(&file)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.scan("", false, trial.Add, func(int, int) {}); err != nil {
			t.Fatal(err)
		}
		want, err := trial.Answer(nil)
		if err != nil {
			t.Fatal(err)
		}
		got, _ := json.Marshal(s.Answer())
		if w, _ := json.Marshal(want); string(got) != string(w) {
			t.Errorf("%s:\n%s\n%s", what, got, w)
		}
	}
	check("at the start")
	start := s.Answer()
	if len(start.Changed) != 0 || start.Attempts == 0 {
		t.Fatalf("%d change bin under the limits in force", len(start.Changed))
	}
	s.Press("left", "down")
	check("moved down")
	_, high, _ := s.Limit()
	moved := *high
	s.Press("right")
	if _, high, _ = s.Limit(); !(*high > moved) {
		t.Errorf("right leads from %v to %v", moved, *high)
	}
	s.Press("=")
	s.Type("0.0051")
	if _, high, _ = s.Limit(); *high != 0.0051 || len(s.Answer().Changed) == 0 || !strings.Contains(s.View(), "0.0051") {
		t.Errorf("typed: %v, %d change\n%s", *high, len(s.Answer().Changed), s.View())
	}
	check("typed")
	s.Press("g")
	check("another guard")
	s.Press("s", "right")
	if low, _, _ := s.Limit(); low == nil {
		t.Error("the open side did not come in")
	}
	check("the other side")
	s.Press("o")
	if low, _, _ := s.Limit(); low != nil {
		t.Error("the side is not open")
	}
	for _, text := range []string{"a lot", "NaN", "1e400"} {
		s.Press("=")
		s.Type(text)
		if !strings.Contains(s.View(), "is no number") {
			t.Errorf("%q is taken:\n%s", text, s.View())
		}
	}
	s.Press("0")
	if now, _ := json.Marshal(s.Answer()); string(now) != string(must(json.Marshal(start))) {
		t.Error("as in force is not as at the start")
	}
	s.Press("=")
	s.Type("0.004")
	s.Press("c")
	if first := s.Answer().Changed[0].Serial; !strings.Contains(s.View(), first) {
		t.Errorf("the list does not name %s:\n%s", first, s.View())
	}
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

// Every quantity can be looked at, with and without a limit, measured or not.
func TestEveryQuantity(t *testing.T) {
	f := past(t, 200)
	s := desk.NewScreen(t.Context(), options(f), 120, 40)
	for range quantity.All() {
		s.Press("n", "1", "left", "up", "s", "down", "g", "v", "c", "c", "4", "5", "k", "d")
		if strings.Contains(s.View(), "NaN") {
			t.Errorf("a number that is none:\n%s", s.View())
		}
	}
	s.Press("p", "1")
}

func TestFilterCopyExport(t *testing.T) {
	f := past(t, 600)
	s := desk.NewScreen(t.Context(), options(f), 80, 24)
	all := s.Answer().Attempts
	s.Press("/")
	s.Clear()
	s.Type("--nest B")
	if n := s.Answer().Attempts; n == 0 || n >= all || !strings.Contains(s.View(), "--nest B") {
		t.Errorf("%d of %d in nest B\n%s", n, all, s.View())
	}
	few := s.Answer().Attempts
	s.Press("/")
	s.Clear()
	s.Type("--nets B")
	if s.Answer().Attempts != few || !strings.Contains(s.View(), "such as --nest B") || !strings.Contains(s.View(), "hopper-54") {
		t.Errorf("a wrong filter:\n%s", s.View())
	}
	s.Press("/", "esc", "y")
	if len(s.Copied) != 1 || !strings.Contains(s.Copied[0], "first pass") || strings.Contains(s.Copied[0], "\x1b") {
		t.Errorf("copied %q", s.Copied)
	}
	for name, want := range map[string]string{"a.txt": "first pass", "a.json": `"schema": "panecal.try/1"`, "a.csv": "attempts of --nest B", "a.jsonl": "attempts of --nest B"} {
		s.Press("e")
		s.Clear()
		s.Type(name)
		if !strings.Contains(f.wrote[name], want) || !strings.Contains(s.View(), "wrote "+name) {
			t.Errorf("%s: %.80q\n%s", name, f.wrote[name], s.View())
		}
	}
	for name, want := range map[string]string{"a.doc": "ends in .txt", "nowhere/a.csv": "no such folder"} {
		s.Press("e")
		s.Clear()
		s.Type(name)
		if !strings.Contains(s.View(), want) {
			t.Errorf("%s:\n%s", name, s.View())
		}
	}
	s.Press("q")
	if !s.Ended {
		t.Error("q does not end it")
	}
}

// An empty log and one that cannot be read say so, and what to do; when records
// come, they are seen.
func TestNothingToShow(t *testing.T) {
	f := past(t, 0)
	s := desk.NewScreen(t.Context(), options(f), 80, 24)
	if !strings.Contains(s.View(), "no attempts yet") {
		t.Errorf("empty:\n%s", s.View())
	}
	s.Press("1", "left", "n", "y", "e", "?", "?", "=")
	*f = *past(t, 100)
	s.Look()
	if s.Answer().Attempts == 0 {
		t.Errorf("it does not look again:\n%s", s.View())
	}
	before := f.scanned
	s.Look()
	if f.scanned != before {
		t.Error("it reads a log that has not grown")
	}
	f.newest++
	s.Look()
	if f.scanned == before {
		t.Error("it does not read a log that has grown")
	}
	bad := past(t, 100)
	bad.err = errors.New("segment 3 is damaged; `panecal log check` shows all of it")
	s = desk.NewScreen(t.Context(), options(bad), 80, 24)
	if !strings.Contains(s.View(), "panecal log check") {
		t.Errorf("damaged:\n%s", s.View())
	}
	none := past(t, 100)
	for _, b := range none.blocks {
		for i := range b.floats["leakage.max"] {
			b.floats["leakage.max"][i] = math.NaN()
		}
	}
	s = desk.NewScreen(t.Context(), options(none), 80, 24)
	if !strings.Contains(s.View(), "was not measured in any of") {
		t.Errorf("not measured:\n%s", s.View())
	}
}

// The keys that the help names are the keys that work, and no page hides one of
// all pages.
func TestKeysOfTheHelp(t *testing.T) {
	s := desk.NewScreen(t.Context(), options(past(t, 200)), 80, 24)
	if list := s.Unheard(); len(list) > 0 {
		t.Error(list)
	}
}

// The program ends with its context, and uses the log no more.
func TestRunEnds(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	enough := errors.New("enough")
	o := options(past(t, 100))
	in, out := &bytes.Buffer{}, &bytes.Buffer{}
	o.In, o.Out = in, out
	done := make(chan error)
	go func() { done <- desk.Run(ctx, o) }()
	cancel(enough)
	if err := <-done; !errors.Is(err, enough) {
		t.Error(err)
	}
	o.In = strings.NewReader("q")
	if err := desk.Run(t.Context(), o); err != nil {
		t.Error(err)
	}
}

// How long a key takes that moves a limit, drawing included.
func BenchmarkKey(b *testing.B) {
	f := past(b, 2000)
	for len(f.blocks) < 200 {
		f.blocks = append(f.blocks, f.blocks[:4]...)
	}
	s := desk.NewScreen(b.Context(), options(f), 120, 40)
	b.Logf("%d attempts", s.Answer().Attempts)
	for b.Loop() {
		s.Press("left")
		_ = s.View()
	}
}
