package screen_test

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

// everything shows each step of a nest, and each code where it is said: one
// of the hands as their call, one that ends an attempt as its verdict, a stop
// as a stop, a bad capture as the nest's trouble, the others as a message.
func everything() (all []exhibit) {
	for _, step := range station.Steps() {
		s := call(with(bench(3), 1, step), 1, station.HandsWait)
		if step == station.EmptyCapture || step == station.TargetCapture || step == station.RangesCapture || step == station.VerifyCapture {
			s = call(counting(bench(3), 1, step, 40), 1, station.HandsWait)
		}
		all = append(all, exhibit{name: "step " + step.String(), snap: s})
	}
	for _, m := range station.Codes() {
		s := bench(3)
		switch m.Class {
		case station.Guide:
			s = call(with(s, 1, station.EmptyCapture), 1, m.Code)
			s.Hands.Args.Bin, s.Hands.Args.Detail = "3", station.Verbatim("red key, left of the door")
		case station.UnitFailed:
			s = judged(s, 1, station.Verdict{Outcome: station.Failed, Disposition: station.Rework, SoftBin: 20, HardBin: 3, Code: m.Code,
				Args: usualFor(m.Code), Instructions: wipe}, station.HandsFailed)
		case station.Broken:
			s = judged(s, 1, station.Verdict{Outcome: station.Errored, Disposition: station.Hold, SoftBin: 80, HardBin: 8, Code: m.Code,
				Args: usualFor(m.Code)}, station.HandsHeld)
		case station.NotRunning:
			s = with(s, 1, station.Stopped)
			s.Stops = []station.Stop{{Nest: 1, Code: m.Code, Args: usualFor(m.Code), Since: noon}}
		case station.CaptureBad:
			said := station.Message{At: noon, Nest: 1, Code: m.Code, Args: usualFor(m.Code)}
			s = with(s, 1, station.Clearing)
			s.Nests[1].Trouble, s.Messages = &said, []station.Message{said}
		default:
			s.Messages = []station.Message{{At: noon, Nest: 1, Code: m.Code, Args: usualFor(m.Code)}}
		}
		all = append(all, exhibit{name: "code " + string(m.Code), snap: s})
	}
	return all
}

// TestGoldenEverything: no picture of a step or of a code changes unnoticed,
// in any language and size, and none is cut. Of each there is a sum; those of
// the smallest size, and the English ones at 80x24, can be read too.
func TestGoldenEverything(t *testing.T) {
	for _, name := range screen.Languages() {
		l := screen.NewEasel(lang(t, name))
		var sums, small, usualSize strings.Builder
		pictures := 0
		for _, pic := range everything() {
			for _, size := range sizes {
				p := l.Draw(pic.snap, size[0], size[1])
				t.Run(fmt.Sprintf("%s, %s", name, pic.name), func(t *testing.T) { fits(t, p, size[0], size[1]) })
				pictures++
				for _, d := range quantity.All() { // the engineer's word, not the operator's
					if name := string(d.Name); strings.Contains(name, ".") && strings.Contains(p.Text, name) {
						t.Errorf("%s, %s: %s is shown\n%s", name, pic.name, d.Name, p.Text)
					}
				}
				fmt.Fprintf(&sums, "%x  %dx%d  %s\n", sum(p.Text), size[0], size[1], pic.name)
				text := fmt.Sprintf("%s %dx%d\n%s\n\n", pic.name, size[0], size[1], p.Text)
				switch {
				case size[0] == 40:
					small.WriteString(text)
				case size[0] == 80 && name == "en":
					usualSize.WriteString(text)
				}
			}
		}
		t.Logf("%s: %d pictures", name, pictures)
		golden(t, "every-"+name+"-sums", sums.String())
		golden(t, "every-"+name+"-40x12", small.String())
		if name == "en" {
			golden(t, "every-en-80x24", usualSize.String())
		}
	}
}

// sum is the beginning of a text's hash.
func sum(text string) []byte {
	h := sha256.Sum256([]byte(text))
	return h[:6]
}
