package screen_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

// spoken returns the words of a picture without its lines and borders, so that
// a wrapped sentence can be found.
func spoken(p screen.Picture) string {
	return strings.Join(strings.Fields(strings.ReplaceAll(p.Text, "\n", " ")), " ")
}

func inEveryLanguage(t *testing.T, test func(*testing.T, screen.Easel)) {
	for _, name := range screen.Languages() {
		t.Run(name, func(t *testing.T) { test(t, screen.NewEasel(lang(t, name))) })
	}
}

// benches are how many nests a language is tried with: the catalogue's own
// with all, the others with the widest places and the narrowest.
func benches(l screen.Easel) []int {
	if l.Name() == "en" {
		return []int{1, 2, 3, 4}
	}
	return []int{1, 4}
}

// usual are arguments as long as they usually get.
var usual = station.Args{Nest: "nest 4", Label: label, Bin: "12", Other: station.Verbatim("13:52, nest 3, bin 9"), Detail: station.Verbatim("what else there is said")}

// usualFor are usual arguments of the types that a code has.
func usualFor(c station.Code) station.Args {
	a := usual
	if c == station.FailedLimits {
		a.Detail = station.OutOfLimits{Name: "estimator.difference", Side: station.TooHigh}
	}
	return a
}

// Every code is a whole sentence on the screen, wherever it is said, with one
// to four nests: nothing cut, nothing over something else.
func TestEveryCodeFits(t *testing.T) { inEveryLanguage(t, everyCodeFits) }

func everyCodeFits(t *testing.T, l screen.Easel) {
	tried := 0
	for _, m := range station.Codes() {
		for _, size := range sizes {
			for _, nests := range benches(l) {
				tried++
				name := fmt.Sprintf("%s, %d nests, %dx%d", m.Code, nests, size[0], size[1])
				s := bench(nests)
				i := nests - 1
				say := strings.Join(strings.Fields(l.Sentence(m.Code, usualFor(m.Code))), " ")
				switch m.Class {
				case station.Guide:
					if !screen.Called(m.Code) {
						t.Errorf("%s: no block letters", m.Code)
					}
					s = with(s, i, station.EmptyCapture)
					s.Hands = station.Hands{Nest: i, Code: m.Code, Args: usualFor(m.Code)}
				case station.NotRunning:
					s.Stops = []station.Stop{{Nest: i, Code: m.Code, Args: usualFor(m.Code), Since: noon}}
				default:
					if m.Code == station.RefusedBox {
						s.Box = station.Box{Number: "B-1", Good: 1, Size: 1}
					}
					s.Messages = []station.Message{{At: noon, Nest: i, Code: m.Code, Args: usualFor(m.Code)}}
					if m.Class == station.CaptureBad {
						s.Nests[i].Trouble = &s.Messages[0]
					}
				}
				p := l.Draw(s, size[0], size[1])
				fits(t, p, size[0], size[1])
				if !strings.Contains(strings.ToLower(spoken(p)), strings.ToLower(say)) {
					t.Errorf("%s: %q is not on the screen\n%s", name, say, p.Text)
				}
			}
		}
	}
	t.Logf("%d pictures", tried)
}

// A verdict's reason and instruction are on the screen while the hands are
// sent to it; so are its word and its bin.
func TestEveryVerdictFits(t *testing.T) { inEveryLanguage(t, everyVerdictFits) }

func everyVerdictFits(t *testing.T, l screen.Easel) {
	tried := 0
	for _, m := range station.Codes() {
		v := station.Verdict{Code: m.Code, HardBin: 12, Args: usualFor(m.Code)}
		hands := station.HandsFailed
		switch m.Class {
		case station.UnitFailed:
			v.Outcome, v.Disposition, v.Instructions = station.Failed, station.Rework, limits.Text{Plain: "Wipe the window, run the unit again."}
		case station.Broken:
			v.Outcome, v.Disposition = station.Errored, station.Hold
			hands = station.HandsHeld
		default:
			continue
		}
		for _, size := range sizes {
			for _, nests := range benches(l) {
				tried++
				s := judged(bench(nests), nests-1, v, hands)
				s.Messages = nil
				p := l.Draw(s, size[0], size[1])
				fits(t, p, size[0], size[1])
				words := spoken(p)
				say := strings.Join(strings.Fields(l.Say(m.Code, station.Args{Nest: s.Nests[nests-1].Name, Label: s.Nests[nests-1].Label,
					Bin: "12", Detail: v.Args.Detail, Other: v.Args.Other})), " ")
				if size[0] >= 80 && !strings.Contains(strings.ToLower(words), strings.ToLower(say)) {
					t.Errorf("%s at %dx%d: %q is not on the screen\n%s", m.Code, size[0], size[1], say, p.Text)
				}
				for _, want := range []string{l.Bin(12), v.Instructions.Plain} {
					if !strings.Contains(words, want) {
						t.Errorf("%s at %dx%d: %q is not on the screen\n%s", m.Code, size[0], size[1], want, p.Text)
					}
				}
			}
		}
	}
	if tried == 0 {
		t.Fatal("no code tried")
	}
	t.Logf("%d pictures", tried)
}

// Troubles and stops show their action in the nest's own place too.
func TestEveryStepAndTroubleFits(t *testing.T) { inEveryLanguage(t, everyStepAndTroubleFits) }

func everyStepAndTroubleFits(t *testing.T, l screen.Easel) {
	for _, step := range station.Steps() {
		if w := screen.Width(screen.Phase(l.Language, step)); w > 16 {
			t.Errorf("%v: %d cells", step, w)
		}
		for _, m := range station.Codes() {
			if m.Class == station.Guide {
				continue
			}
			// What a nest says besides is laid out alike in all steps that
			// count shots, in all others, and in a stop.
			usualStep := step == station.EmptyCapture || step == station.Clearing || step == station.Stopped
			for _, size := range sizes {
				for _, nests := range []int{1, 4} {
					tightest := size[0] == 80 && nests == 4
					if !usualStep && (!tightest || m.Code != station.BadMisfit) || step == station.Clearing && !tightest {
						continue
					}
					s := counting(bench(nests), 0, step, 50)
					s.Nests[0].Attempt, s.Nests[0].Try = 2, 3
					s.Nests[0].Trouble = &station.Message{At: noon, Nest: 0, Code: m.Code, Args: usualFor(m.Code)}
					if step == station.Stopped {
						s.Nests[0].Trouble = nil
						s.Nests[0].Total = 0
						s.Stops = []station.Stop{{Nest: 0, Code: m.Code, Args: usualFor(m.Code)}}
						if m.Class != station.NotRunning {
							continue
						}
					}
					fits(t, l.Draw(s, size[0], size[1]), size[0], size[1])
				}
			}
		}
	}
}

// Any size is drawn, and none wider or higher than asked.
func TestEverySize(t *testing.T) {
	s := judged(judged(counting(bench(4), 3, station.TargetCapture, 99), 0, passed, station.HandsPassed), 1, dirty, station.HandsFailed)
	l := lang(t, "en")
	for w := range 140 {
		for _, h := range []int{0, 1, 2, 5, 11, 12, 13, 20, 23, 24, 25, 39, 40, 60} {
			p := screen.DrawIn(l, s, w, h, false, strings.Repeat("A", 300), strings.Repeat("own words ", 30))
			lines := strings.Split(p.Text, "\n")
			if len(lines) > max(h, 1) {
				t.Fatalf("%dx%d: %d lines", w, h, len(lines))
			}
			for _, line := range lines {
				if screen.Width(line) > w {
					t.Fatalf("%dx%d: a line of %d", w, h, screen.Width(line))
				}
			}
			if w >= 40 && h >= 12 && !strings.Contains(spoken(p), "Take") {
				t.Fatalf("%dx%d: the sentence is missing\n%s", w, h, p.Text)
			}
		}
	}
}

// What a unit or a label says cannot move the cursor or hide.
func TestHostileTexts(t *testing.T) {
	evil := "\x1b[2J\x07\u202eabc\tdef\xff世界e\u0301" + strings.Repeat("x", 200)
	s := judged(bench(3), 1, dirty, station.HandsFailed)
	s.Station, s.Product, s.Operator, s.Label = evil, evil, evil, evil
	for i := range s.Nests {
		s.Nests[i].Name, s.Nests[i].Label, s.Nests[i].UnitID = evil, evil, evil
	}
	s.Hands.Args = station.Args{Nest: evil, Label: evil, Bin: evil, Other: station.Verbatim(evil), Detail: station.Verbatim(evil)}
	s.Nests[1].Verdict.Args.Detail, s.Nests[1].Verdict.Instructions = station.Verbatim(evil), limits.Text{Plain: evil}
	for _, size := range sizes {
		p := screen.Draw(s, size[0], size[1], false, evil, evil, screen.Hint{Label: evil})
		for _, r := range p.Text {
			if r != '\n' && (r < ' ' || r == 0x7F || r == '\u202e' || r == '\ufffd') {
				t.Fatalf("%U on the screen", r)
			}
		}
		for _, line := range strings.Split(p.Text, "\n") {
			if screen.Width(line) > size[0] {
				t.Fatalf("a line of %d in %d", screen.Width(line), size[0])
			}
		}
	}
}

// What is past does not stand on the screen for the rest of the shift.
func TestOldMessagesGo(t *testing.T) {
	stray := station.Message{At: noon, Nest: 0, Code: station.BadStray, Args: argsOf(0)}
	caps := station.Message{At: noon, Nest: station.NoNest, Code: station.RefusedCapsLock}
	for _, c := range []struct {
		after   time.Duration
		trouble bool
		want    string
	}{
		{time.Second, true, "stray caps"}, {time.Second, false, "caps"}, {11 * time.Second, false, "caps"}, {11 * time.Second, true, "stray caps"}, {3 * time.Minute, false, ""},
	} {
		s := bench(3)
		s.Messages = []station.Message{stray, caps}
		s.At = noon.Add(c.after)
		if c.trouble {
			s.Nests[0].Trouble = &stray
		}
		text := screen.Draw(s, 80, 24, false, "", "").Text
		var got []string
		if strings.Contains(text, "something stands in the field") {
			got = append(got, "stray")
		}
		if strings.Contains(text, "Caps Lock") {
			got = append(got, "caps")
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("after %v: %v, want %s\n%s", c.after, got, c.want, text)
		}
	}
}
