package screen_test

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	labels "example.org/panecal/station/label"
	"example.org/panecal/station/screen"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares got with a file of testdata.
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

var sizes = [][2]int{{80, 24}, {120, 40}, {40, 12}}

// bench is a snapshot with n idle nests.
func bench(n int) station.Snapshot {
	s := station.Snapshot{
		At: noon, Station: "line3-cal", Operator: "4711", Purpose: station.Production, Product: "hopper-54", Signed: true,
		Hands:    station.Hands{Nest: station.NoNest, Code: station.HandsScan},
		Order:    "WO-2026-00417",
		Counters: station.Counters{OrderGood: 112, OrderOf: 300, Units: 212, Passed: 201, Failed: 8, Held: 4, OpenHolds: 3, First: 205, FirstPassed: 195, PerHour: 61.4},
	}
	for i := range n {
		s.Nests = append(s.Nests, station.NestView{Name: fmt.Sprint(i + 1), Step: station.Vacant, Remaining: -1})
	}
	return s
}

const label = "HP54-000017-7"

// wipe is an instruction of a limits file, which has it in German too.
var wipe = limits.Text{Plain: "Wipe the window, run again.", DE: "Fenster wischen, wiederholen."}

// outside is a quantity above its limit.
func outside(name quantity.Name) station.Args {
	return station.Args{Detail: station.OutOfLimits{Name: name, Side: station.TooHigh}}
}

// argsOf names nest i as a station does.
func argsOf(i int) station.Args {
	return station.Args{Nest: fmt.Sprintf("nest %d", i+1), Label: label}
}

// with puts a unit into nest i.
func with(s station.Snapshot, i int, step station.Step) station.Snapshot {
	n := &s.Nests[i]
	n.Label, n.Serial, n.UnitID, n.Step, n.Attempt, n.Try = fmt.Sprintf("HP54-%06d-7", 17+i), "", "", step, 1, 1
	return s
}

// counting lets nest i capture.
func counting(s station.Snapshot, i int, step station.Step, percent int64) station.Snapshot {
	s = with(s, i, step)
	s.Nests[i].Done, s.Nests[i].Total = percent*40_000, 4_000_000
	s.Nests[i].Remaining = 12 * time.Second
	return s
}

func call(s station.Snapshot, i int, code station.Code) station.Snapshot {
	s.Hands = station.Hands{Nest: i, Code: code, Args: argsOf(i)}
	return s
}

// judged shows a verdict in nest i, and calls the hands there.
func judged(s station.Snapshot, i int, v station.Verdict, hands station.Code) station.Snapshot {
	s = with(s, i, station.Showing)
	v.Nest, v.Sequence, v.Attempt, v.Serial = fmt.Sprintf("nest %d", i+1), 1047, 1, "HP54-000017"
	s.Nests[i].Verdict = &v
	a := argsOf(i)
	a.Bin, a.Detail = fmt.Sprint(v.HardBin), v.Args.Detail
	s.Hands = station.Hands{Nest: i, Code: hands, Args: a}
	s.Messages = append(s.Messages, station.Message{At: noon, Nest: i, Code: v.Code, Args: a})
	return s
}

var (
	passed = station.Verdict{Outcome: station.Passed, Disposition: station.Release, SoftBin: 1, HardBin: 1, Code: station.NoticePassed}
	dirty  = station.Verdict{Outcome: station.Failed, Disposition: station.Rework, SoftBin: 20, HardBin: 3,
		Code: station.FailedLimits, Args: outside("leakage.max"), Instructions: wipe}
	verify = station.Verdict{Outcome: station.Failed, Disposition: station.Scrap, SoftBin: 90, HardBin: 9,
		Code: station.FailedVerify, Args: outside("verify.error"), Instructions: limits.Text{Plain: "Put the unit into bin 9."}}
	givenUp = station.Verdict{Outcome: station.Errored, Disposition: station.Hold, SoftBin: 80, HardBin: 8,
		Code: station.BrokenCapture, Args: station.Args{Detail: station.Count(3)}}
	checked = station.Verdict{Outcome: station.Passed, Disposition: station.Release, SoftBin: 1, HardBin: 1, Code: station.NoticePassed,
		Purpose: station.Check}
	unchecked = station.Verdict{Outcome: station.Failed, Disposition: station.Rework, SoftBin: 20, HardBin: 3,
		Code: station.FailedLimits, Args: outside("leakage.max"), Purpose: station.Check, Instructions: wipe}
	unmarked = station.Verdict{Outcome: station.Passed, Disposition: station.Hold, SoftBin: 1, HardBin: 8,
		Code: station.BrokenMark}
)

// exhibit is a snapshot worth looking at.
type exhibit struct {
	name  string
	snap  station.Snapshot
	typed string
	own   string
	ascii bool
	hints []screen.Hint
}

// gallery shows every state that the hands can meet.
func gallery() []exhibit {
	hints := []screen.Hint{{Label: label}, {Label: "HP54-000018-5", Note: "dirty window"}, {Label: "HP54-000019-3", Note: "wrong seat"}}
	return []exhibit{
		{name: "idle", snap: bench(3)},
		{name: "idle-hints", snap: bench(3), hints: hints},
		{name: "typing", snap: bench(3), typed: "HP54-0000"},
		{name: "seat", snap: func() station.Snapshot {
			s := call(with(bench(3), 1, station.Expected), 1, station.HandsSeat)
			s.Label = "HP54-000018-7"
			return s
		}()},
		{name: "seat-anywhere", snap: func() station.Snapshot {
			s := bench(3)
			for i, name := range []string{"A", "B", "C"} {
				s.Nests[i].Name = name
			}
			s.Hands = station.Hands{Nest: station.NoNest, Code: station.HandsSeat, Args: station.Args{Nest: "A, B, C", Label: label}}
			s.Label = label
			return s
		}()},
		{name: "take-out-first", snap: func() station.Snapshot {
			s := call(bench(3), 0, station.HandsTakeOut)
			s.Nests[0].Step, s.Nests[0].UnitID = station.Unlabelled, "u-77e1"
			return s
		}()},
		{name: "measuring", snap: call(counting(with(counting(bench(3), 0, station.EmptyCapture, 62), 1, station.Targeting), 2, station.VerifyCapture, 8), 0, station.HandsWait)},
		{name: "bring-target", snap: call(counting(with(counting(bench(3), 0, station.EmptyCapture, 62), 1, station.Targeting), 2, station.VerifyCapture, 8), 1, station.HandsTarget)},
		{name: "target-unseen", snap: func() station.Snapshot {
			s := call(counting(with(counting(bench(3), 0, station.EmptyCapture, 62), 1, station.Targeting), 2, station.VerifyCapture, 8), 1, station.HandsTargetIn)
			s.Nests[1].Waiting, s.Nests[2].Waiting = true, true
			return s
		}()},
		{name: "clear-field", snap: func() station.Snapshot {
			s := call(with(bench(3), 1, station.Clearing), 1, station.HandsClear)
			s.Nests[1].Trouble = &station.Message{At: noon, Nest: 1, Code: station.BadStray, Args: argsOf(1)}
			s.Nests[1].Try, s.Nests[1].Attempt = 2, 2
			return s
		}()},
		{name: "passed", snap: judged(counting(bench(3), 2, station.TargetCapture, 45), 0, passed, station.HandsPassed)},
		{name: "failed", snap: judged(judged(bench(3), 0, passed, station.HandsPassed), 1, dirty, station.HandsFailed)},
		{name: "failed-ascii", ascii: true, snap: judged(judged(judged(bench(3), 0, passed, station.HandsPassed), 2, givenUp, station.HandsHeld), 1, dirty, station.HandsFailed)},
		{name: "verify-failed", snap: judged(bench(1), 0, verify, station.HandsFailed)},
		{name: "held", snap: judged(judged(judged(bench(3), 0, passed, station.HandsPassed), 1, dirty, station.HandsFailed), 2, givenUp, station.HandsHeld)},
		{name: "mark-unconfirmed", snap: judged(bench(2), 1, unmarked, station.HandsHeld)},
		{name: "check-unit", snap: func() station.Snapshot {
			s := counting(bench(3), 0, station.TargetCapture, 40)
			s.Nests[0].Purpose = station.Check
			s.Standing = []station.Message{{At: noon, Nest: station.NoNest, Code: station.NoticeCheckOver, Args: station.Args{Detail: station.Clock("06:00")}}}
			return call(s, 0, station.HandsWait)
		}()},
		{name: "check-passed", snap: judged(bench(3), 1, checked, station.HandsChecked)},
		{name: "check-not-passed", snap: judged(bench(3), 1, unchecked, station.HandsCheckBad)},
		{name: "reject-box", snap: func() station.Snapshot {
			s := judged(bench(3), 1, dirty, station.HandsReject)
			s.Nests[1].Step, s.Nests[1].Verdict = station.Rejecting, nil
			return s
		}()},
		{name: "refused-label", snap: func() station.Snapshot {
			s := counting(bench(3), 0, station.EmptyCapture, 30)
			s.Messages = []station.Message{{At: noon, Nest: station.NoNest, Code: station.NoticeTwice, Args: argsOf(0)},
				{At: noon, Nest: station.NoNest, Code: station.RefusedLabel, Args: station.Args{Label: "HP54-00001", Detail: station.Misread{Refusal: labels.Refusal{Why: labels.CheckWrong}}}}}
			return s
		}()},
		{name: "nest-stopped", snap: func() station.Snapshot {
			s := counting(bench(3), 0, station.EmptyCapture, 30)
			s.Nests[1].Step = station.Stopped
			a := argsOf(1)
			a.Detail = station.Count(3)
			s.Stops = []station.Stop{{Nest: 1, Code: station.StopNoAnswer, Args: a, Since: noon}}
			return s
		}()},
		{name: "station-stopped", snap: func() station.Snapshot {
			s := bench(2)
			for i := range s.Nests {
				s.Nests[i].Step = station.Stopped
			}
			s.Hands.Code = station.HandsStopped
			s.Stops = []station.Stop{{Nest: station.NoNest, Code: station.StopStore, Args: station.Args{Label: label, Detail: station.Verbatim("no space left on device")}, Since: noon}}
			return s
		}()},
		{name: "emitter-in-doubt", snap: func() station.Snapshot {
			s := judged(bench(3), 1, givenUp, station.HandsEmitter)
			s.Hands.Args.Detail = station.Verbatim("red key, left of the door")
			s.Standing = []station.Message{{At: noon, Nest: 1, Code: station.BrokenEmitter, Args: argsOf(1)}}
			return s
		}()},
		{name: "last-result", snap: func() station.Snapshot {
			s := left(dirty, noon, time.Minute)
			for i := range 9 {
				v := passed
				v.Args.Label, v.Box = fmt.Sprintf("HP54-%06d-7", i), limits.Text{Plain: "belt"}
				s.Recent = append(s.Recent, v)
			}
			return s
		}()},
		{name: "leave-asked", snap: counting(bench(3), 0, station.EmptyCapture, 30), own: "1 attempt runs and would end as aborted. Press Ctrl-Q again to leave."},
		{name: "four-nests", snap: judged(judged(judged(counting(bench(4), 3, station.TargetCapture, 99), 0, passed, station.HandsPassed), 2, givenUp, station.HandsHeld), 1, dirty, station.HandsFailed)},
		{name: "one-nest", snap: call(counting(bench(1), 0, station.EmptyCapture, 62), 0, station.HandsWait)},
		{name: "first-minute", snap: func() station.Snapshot {
			s := bench(2)
			s.Signed, s.Purpose, s.Counters = false, station.Engineering, station.Counters{PerHour: math.NaN()}
			return s
		}()},
	}
}

func TestGoldenScreens(t *testing.T) {
	for _, c := range gallery() {
		t.Run(c.name, func(t *testing.T) {
			var all strings.Builder
			for _, size := range sizes {
				p := screen.Draw(c.snap, size[0], size[1], c.ascii, c.typed, c.own, c.hints...)
				fits(t, p, size[0], size[1])
				if c.ascii {
					for _, r := range p.Text {
						if r > '~' {
							t.Errorf("%q is no ASCII", r)
						}
					}
				}
				fmt.Fprintf(&all, "%dx%d\n%s\n\n", size[0], size[1], p.Text)
			}
			golden(t, c.name, all.String())
		})
	}
}

func TestGoldenStart(t *testing.T) {
	var all strings.Builder
	for _, size := range sizes {
		p := screen.DrawNothing(size[0], size[1])
		fits(t, p, size[0], size[1])
		fmt.Fprintf(&all, "%dx%d\n%s\n\n", size[0], size[1], p.Text)
	}
	golden(t, "starting", all.String())
}

// fits fails if anything is cut, drawn over something else or wider or higher
// than the screen.
func fits(t *testing.T, p screen.Picture, w, h int) {
	t.Helper()
	lines := strings.Split(p.Text, "\n")
	if len(lines) != h {
		t.Errorf("%dx%d: %d lines", w, h, len(lines))
	}
	for i, line := range lines {
		if screen.Width(line) > w {
			t.Errorf("%dx%d: line %d is %d wide", w, h, i, screen.Width(line))
		}
	}
	if p.Cut > 0 || strings.Contains(p.Text, "…") {
		t.Errorf("%dx%d: %d cut\n%s", w, h, p.Cut, p.Text)
	}
}
