package screen_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/station"
	labels "example.org/panecal/station/label"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// left is a bench whose first nest a unit left after it was shown for a time.
func left(v station.Verdict, at time.Time, shown time.Duration) station.Snapshot {
	s := bench(3)
	s.At = at
	v.Sequence, v.Args.Label, v.Box = 7, label, limits.Text{Plain: "rework box", DE: "Nacharbeit"}
	s.Nests[0].Last = &station.Result{Verdict: v, Gone: noon, Shown: shown}
	s.Recent = []station.Verdict{v}
	return s
}

// letters tells whether a line stands in block letters in what was written.
func letters(out, line string) bool {
	for _, rows := range []int{6, 4} {
		f, ok := term.HalfBlocks.Fitting(line, 76, rows)
		if ok && strings.Contains(out, strings.TrimRight(f.Lines(line, '█')[0], " ")) {
			return true
		}
	}
	return false
}

// A result that nobody could read stays in the letters until a key, a scan or
// ten seconds; one that could be read does not.
func TestResultThatNobodyReadStays(t *testing.T) {
	for _, end := range []string{"ten seconds", "key", "scan"} {
		synctest.Test(t, func(t *testing.T) {
			s := start(t.Context(), term.Colourless, nil)
			s.glass.since()
			s.box.Put(left(dirty, noon, 300*time.Millisecond))
			s.settle()
			if out := s.glass.since(); !letters(out, "✗ FAIL  BIN 3") || !letters(out, "OUT OF NEST 1") {
				t.Errorf("not seen: %s", out)
			}
			s.box.Put(left(dirty, noon.Add(9*time.Second), 300*time.Millisecond))
			s.settle()
			if out := s.glass.since(); letters(out, "SCAN THE") {
				t.Errorf("gone too soon: %s", out)
			}
			switch end {
			case "key":
				s.key("\r")
			case "scan":
				s.key("HP54-000018-5\r")
			default:
				s.box.Put(left(dirty, noon.Add(10*time.Second), 300*time.Millisecond))
				s.settle()
			}
			if out := s.glass.since(); !letters(out, "SCAN THE") {
				t.Errorf("%s does not end it: %s", end, out)
			}
			s.box.Put(left(dirty, noon.Add(11*time.Second), 300*time.Millisecond))
			s.settle()
			if out := s.glass.since(); letters(out, "✗ FAIL  BIN 3") {
				t.Errorf("it came again: %s", out)
			}
			leave(t, s)
		})
	}
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		s.glass.since()
		s.box.Put(left(dirty, noon, 3*time.Second))
		s.settle()
		if out := s.glass.since(); letters(out, "✗ FAIL  BIN 3") || !strings.Contains(out, label) || !strings.Contains(out, "bin 3, rework box") {
			t.Errorf("seen: %s", out)
		}
		leave(t, s)
	})
}

func leave(t *testing.T, s *session) {
	t.Helper()
	s.key("\x11")
	s.key("\x11")
	if err := <-s.done; err != nil {
		t.Error(err)
	}
	s.keys.Close()
}

// A refused scan changes the letters for two seconds.
func TestRefusedScanIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		refused := bench(3)
		refused.Messages = []station.Message{{At: noon, Nest: station.NoNest, Code: station.RefusedLabel,
			Args: station.Args{Label: "X", Detail: station.Misread{Refusal: labels.Refusal{Why: labels.NoFit}}}}}
		for _, c := range []struct {
			do   func()
			want [2]string
		}{
			{func() { s.box.Put(refused) }, [2]string{"NOT A UNIT LABEL", "SCAN AGAIN"}},
			{func() { refused.At = noon.Add(2 * time.Second); s.box.Put(refused) }, [2]string{"SCAN THE", "NEXT LABEL"}},
			{func() { s.key("AB\x00CD-017\r") }, [2]string{"NOT A UNIT LABEL", "SCAN AGAIN"}},
			{func() { refused.At = noon.Add(5 * time.Second); s.box.Put(refused) }, [2]string{"SCAN THE", "NEXT LABEL"}},
			{func() {
				s.box.Show(&shift.Page{Kind: shift.QuantityPage}, shift.Reply{Code: shift.BadNumber, Text: "WO-7"})
			}, [2]string{"NOT A NUMBER", "ENTER IT AGAIN"}},
			{func() { refused.At = noon.Add(8 * time.Second); s.box.Put(refused) }, [2]string{"HOW MANY", "UNITS"}},
			{func() {
				s.box.Show(&shift.Page{Kind: shift.OrderPage}, shift.Reply{Code: shift.UnitLabel, Text: label})
			}, [2]string{"A UNIT LABEL", "SCAN ANOTHER"}},
		} {
			s.glass.since()
			c.do()
			s.settle()
			if out := s.glass.since(); !letters(out, c.want[0]) || !letters(out, c.want[1]) {
				t.Errorf("want %s in letters: %s", c.want, out)
			}
		}
		leave(t, s)
	})
}

// The box of a nest keeps the last result whole, in every language and size.
func TestLastResultFits(t *testing.T) {
	for _, name := range screen.Languages() {
		l := lang(t, name)
		for _, v := range []station.Verdict{passed, dirty, givenUp, checked} {
			s := left(v, noon, time.Minute)
			for _, size := range sizes[:2] {
				p := screen.DrawIn(l, s, size[0], size[1], false, "", "")
				fits(t, p, size[0], size[1])
				for _, want := range []string{label, fmt.Sprint(v.HardBin)} {
					if v.Purpose != station.Check && !strings.Contains(p.Text, want) {
						t.Errorf("%s: %q is not on the screen\n%s", name, want, p.Text)
					}
				}
			}
		}
	}
}
