package desk_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/station/figure"
	"example.org/panecal/station/screen/desk"
	"example.org/panecal/station/screen/term"
)

// archive is a past in memory: so many units with two attempts each.
type archive struct {
	units    int
	asked    []string
	dossiers []string
	err      error
}

func (a *archive) Find(_ context.Context, text string, most int) (list []desk.Found, err error) {
	a.asked = append(a.asked, "find "+text)
	if strings.HasPrefix(text, "--nets") {
		return nil, errors.New("unknown flag: --nets: flags as of panecal find, such as --nest B")
	}
	for n := 2*a.units - 1; n >= 0 && len(list) < most; n-- {
		f := desk.Found{Serial: fmt.Sprintf("H54-%05d-X", n/2), AttemptNo: n%2 + 1, Generation: 1, Sequence: uint64(10 + 3*n), Time: time.Date(2026, 9, 14, 6, 0, n, 0, time.UTC),
			Purpose: "production", Outcome: "failed", Disposition: "rework", Bin: "3 leakage", Nest: "B"}
		if n%2 == 1 {
			f.Outcome, f.Disposition, f.Bin = "passed", "release", "1 passed"
		}
		if strings.Contains(f.Serial, text) {
			list = append(list, f)
		}
	}
	return list, a.err
}

func (a *archive) Timeline(_ context.Context, f desk.Found) (string, error) {
	a.asked = append(a.asked, "timeline "+f.Serial)
	text := "unit " + f.Serial + ": release\n"
	for i := range 40 {
		text += fmt.Sprintf("2026-09-14 06:00:%02d  what happened, and something \x1b[2J that a label brought\n", i)
	}
	return strings.ReplaceAll(text, "\x1b", "<1B>"), nil
}

func (a *archive) Maps(_ context.Context, f desk.Found) ([]figure.ZoneMap, error) {
	a.asked = append(a.asked, fmt.Sprint("maps ", f.Sequence))
	values := make([]float64, 54)
	for z := range values {
		values[z] = 0.002 + 0.0001*float64(z)
	}
	values[7] = math.NaN()
	return []figure.ZoneMap{{Title: "leakage", Unit: "{count}/{shot}", Rows: 6, Cols: 9, Values: values}, {Title: "offset", Unit: "mm", Rows: 6, Cols: 9, Values: values}}, nil
}

func (a *archive) Histogram(_ context.Context, f desk.Found, zone int, capture string) (figure.Histogram, error) {
	a.asked = append(a.asked, fmt.Sprint("histogram ", f.Sequence, " ", zone, " ", capture))
	if zone > 54 {
		return figure.Histogram{}, errors.New("the unit has 54 zones")
	}
	h := figure.Histogram{Title: fmt.Sprintf("%s, zone %d, %s capture, counts per shot", f.Serial, zone, capture), FirstBinPS: -1500, BinPS: 250, Notes: []string{"budget: counting         0.2 mm"}}
	for b := range 96 {
		v := 0.03*math.Exp(-math.Pow(float64(b)-20, 2)/8) + 0.0001
		h.Counted, h.SD = append(h.Counted, v*1.01), append(h.SD, 0.001)
		h.Ambient, h.Leakage, h.Signal = append(h.Ambient, 0.0001), append(h.Leakage, 0), append(h.Signal, v-0.0001)
	}
	return h, nil
}

func (a *archive) Compare(_ context.Context, f desk.Found) (string, error) {
	a.asked = append(a.asked, fmt.Sprint("compare ", f.Sequence))
	return f.Serial + "\nheld against first attempts of hopper-54\n", nil
}

func (a *archive) Dossier(_ context.Context, f desk.Found, path string) error {
	a.dossiers = append(a.dossiers, f.Serial+" "+path)
	if strings.HasPrefix(path, "nowhere/") {
		return errors.New("no such folder")
	}
	return nil
}

func browsing(a *archive, ascii bool) desk.BrowseOptions {
	none := term.Colourless
	return desk.BrowseOptions{Past: a, ASCII: ascii, Colour: &none, Location: time.UTC}
}

// Each page at both sizes, as it stands in testdata.
func TestBrowserPictures(t *testing.T) {
	for _, size := range [][2]int{{80, 24}, {120, 40}} {
		s := desk.NewBrowser(t.Context(), browsing(&archive{units: 30}, false), size[0], size[1])
		for i, name := range []string{"find", "timeline", "zones", "histogram", "compare"} {
			s.Press(fmt.Sprint(i + 1))
			golden(t, fmt.Sprintf("browse-%s-%dx%d", name, size[0], size[1]), s.View()+"\n")
		}
	}
	s := desk.NewBrowser(t.Context(), browsing(&archive{units: 30}, true), 80, 24)
	golden(t, "browse-find-ascii-80x24", s.View()+"\n")
	s.Press("4", "?")
	golden(t, "browse-help-ascii-80x24", s.View()+"\n")
}

// Keys do what their help says, and nothing is read twice.
func TestBrowserKeys(t *testing.T) {
	a := &archive{units: 30}
	s := desk.NewBrowser(t.Context(), browsing(a, false), 80, 24)
	has := func(what string, texts ...string) {
		t.Helper()
		for _, text := range texts {
			if !strings.Contains(s.View(), text) {
				t.Errorf("%s: no %q in\n%s", what, text, s.View())
			}
		}
	}
	asked := func(what string, want ...string) {
		t.Helper()
		if got := strings.Join(a.asked, "; "); got != strings.Join(want, "; ") {
			t.Errorf("%s: asked %s, want %s", what, got, strings.Join(want, "; "))
		}
		a.asked = nil
	}
	has("begin", "[1 Find]", "> 2026-09-14 06:00:59  H54-00029-X", "? keys")
	asked("begin", "find ")
	s.Press("down", "enter")
	has("open", "[2 Timeline]", "H54-00029-X, attempt 1, 2026-09-14 06:00:58, failed, nest B", "<1B>[2J")
	asked("open", "timeline H54-00029-X")
	s.Press("pgdown")
	if strings.Contains(s.View(), "unit H54-00029-X: release") {
		t.Error("the page does not move")
	}
	s.Press("end", "home")
	has("home", "unit H54-00029-X: release")
	s.Press("3", "n")
	has("zones", "offset, 1e-3 mm", "-")
	s.Press("]")
	has("later attempt", "attempt 2")
	s.Press("]")
	has("no later one", "no other attempt of H54-00029-X in the list")
	s.Press("[", "4", "n", "p", "p", "c")
	has("histogram", "zone 1, empty capture")
	asked("histogram", "maps 184", "maps 187", "histogram 184 1 target", "histogram 184 2 target", "histogram 184 1 empty")
	s.Press("5", "tab", "shift+tab", "y")
	has("copied", "[5 Compare]", "in the clipboard")
	if len(s.Copied) != 1 || !strings.Contains(s.Copied[0], "held against first attempts") || strings.Contains(s.Copied[0], "[5 Compare]") {
		t.Errorf("copied %q", s.Copied)
	}
	asked("compare", "compare 184")
	s.Press("d")
	has("dossier", "dossier into: H54-00029-X.html")
	s.Press("enter")
	s.Press("d")
	s.Clear()
	s.Type("nowhere/x.html")
	has("no dossier", "the dossier: no such folder")
	if got := strings.Join(a.dossiers, "; "); got != "H54-00029-X H54-00029-X.html; H54-00029-X nowhere/x.html" {
		t.Errorf("dossiers %s", got)
	}
	s.Press("/")
	s.Type("00012")
	has("filter", "[1 Find]", "found: 00012", "H54-00012-X   2 passed")
	s.Press("/")
	s.Clear()
	s.Type("--nets B")
	has("bad filter", "unknown flag: --nets")
	s.Press("r", "/", "esc", "/")
	s.Clear()
	s.Type("nobody")
	has("nothing", "nothing found")
	s.Press("enter", "2", "d")
	has("nothing to open", "nothing found")
	if s.Ended {
		t.Error("ended by itself")
	}
	s.Press("q")
	if !s.Ended {
		t.Error("q does not quit")
	}
}

// The list follows the log, and the cursor stays with its attempt.
func TestBrowserFollows(t *testing.T) {
	a := &archive{units: 3}
	s := desk.NewBrowser(t.Context(), browsing(a, false), 80, 24)
	s.Press("down")
	a.units = 5
	s.Look()
	for _, want := range []string{"> 2026-09-14 06:00:04  H54-00002-X", "H54-00004-X"} {
		if !strings.Contains(s.View(), want) {
			t.Errorf("no %q in\n%s", want, s.View())
		}
	}
	s = desk.NewBrowser(t.Context(), browsing(&archive{}, false), 80, 24)
	if !strings.Contains(s.View(), "no attempts yet") {
		t.Error(s.View())
	}
}

// Whatever the size, the screen fills it and no more; in ASCII it is ASCII.
func TestBrowserSizes(t *testing.T) {
	for _, ascii := range []bool{false, true} {
		s := desk.NewBrowser(t.Context(), browsing(&archive{units: 120}, ascii), 80, 24)
		for _, page := range []string{"1", "2", "3", "4", "5"} {
			s.Press(page)
			for _, size := range [][2]int{{1, 1}, {60, 18}, {79, 24}, {80, 24}, {120, 40}, {200, 60}} {
				s.Resize(size[0], size[1])
				for _, more := range []string{"?", "?", "/", "esc", "end", "down", "home"} {
					s.Press(more)
					lines := strings.Split(s.View(), "\n")
					if len(lines) != size[1] {
						t.Errorf("page %s %v after %s: %d lines", page, size, more, len(lines))
					}
					for _, l := range lines {
						if ansi.StringWidth(l) > size[0] {
							t.Errorf("page %s %v after %s: wide: %q", page, size, more, l)
						}
						if ascii && strings.ContainsFunc(l, func(r rune) bool { return r > '~' }) {
							t.Errorf("page %s %v: no ASCII: %q", page, size, l)
						}
					}
				}
			}
		}
	}
}
