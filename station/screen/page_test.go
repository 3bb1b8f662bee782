package screen_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// handedOver is a snapshot at the end of a shift.
func handedOver() station.Snapshot {
	s := bench(3)
	s.Counters.Bins = []station.Tally{{SoftBin: 20, Name: "dirty", Units: 5}, {SoftBin: 30, Name: "seat", Units: 2}, {SoftBin: 90, Name: "verify", Units: 1}}
	c := &s.Counters
	c.Since, c.Work, c.Good, c.OrderGood, c.ShiftPerHour, c.Checked = noon, 7*time.Hour+30*time.Minute, 201, 112, 58, noon.Add(4*time.Hour+48*time.Minute)
	c.Today = []station.Tally{{SoftBin: 1, Name: "passed", Units: 201}, {SoftBin: 20, Name: "dirty", Units: 5}}
	c.Nests = []station.NestTally{{Name: "1", First: 100, Passed: 96}, {Name: "2", First: 50, Passed: 45}}
	s.Box = station.Box{Number: "B-17", Good: 12, Size: 24}
	s.Holds = []station.OnHold{{Serial: "HP54-000017-7", Since: noon.Add(-27*time.Hour + 2*time.Minute), Why: station.FailedLabel},
		{Serial: "HP54-000018-5", Since: noon.Add(7*time.Hour + 10*time.Minute), Box: "B-16"}}
	s.Lifted = []station.Lifted{{Args: station.Args{Nest: "1", Detail: station.Count(3)}, Code: station.StopNoAnswer, At: noon.Add(time.Hour), By: "p7", Method: "badge"}}
	s.Stops = []station.Stop{{Nest: 1, Code: station.StopSame, Args: station.Args{Nest: "nest 2", Detail: station.Count(3), Other: station.BinName{Name: "dirty", Text: limits.Text{Plain: "dirty"}}}, Since: noon}}
	s.Standing = []station.Message{{Nest: station.NoNest, Code: station.NoticeCheckOver, Args: station.Args{Detail: station.Clock("14:00")}}}
	return s
}

// handOver is the hand-over at the end of that shift.
func handOver(s station.Snapshot, set shift.Settings) shift.HandOver {
	return shift.HandOver{Station: s.Station, Person: "4711", From: noon, To: noon.Add(8 * time.Hour), Settings: set, Takt: 90,
		Counters: s.Counters, Box: s.Box, Holds: s.Holds, Lifted: s.Lifted, Stops: s.Stops, Standing: s.Standing}
}

// The hand-over says what the next shift needs to know.
func TestHandOver(t *testing.T) {
	l := lang(t, "en")
	got := strings.Join(l.HandOver(handOver(handedOver(), shift.Settings{WorkOrder: "WO-7", Quantity: 300, WindowLot: "W1"})), "\n")
	want := `line3-cal, 2026-03-02 12:00 +00:00 to 2026-03-02 20:00 +00:00
Shift: 8.00 h, 7.50 h without pauses
Work order WO-7, 300 units. Lots: windows W1, gaskets -, emitters -.
212 units, first pass 95 %, 61/h, 8 failed, 3 on hold
On hold: 2
WO-7: order 112/300, 188 to go
box B-17: 12/24
Good units: 201 in this shift, last hour 61/h, shift 58/h, goal 90/h
Today by bin: passed 201, dirty 5
First pass by nest: nest 1 96 %, nest 2 90 %
Last check unit that passed: 3 h 12 min ago
Most frequent: dirty 5, seat 2, verify 1
HP54-000017-7 since 2026-03-01 09:02 +00:00, 1 d 10 h
HP54-000018-5 since 2026-03-02 19:10 +00:00, 50 min, in box B-16
STOP: Nest 2: 3 units in a row failed the same way: dirty. Call the line lead: lots, window, nest.
Lifted 2026-03-02 13:00 +00:00 by p7, badge: Nest 1: 3 units in a row did not answer.
A check unit is overdue since 14:00. Run a check unit now.`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Every reply of the shift has a sentence in every language, and says what it
// names.
func TestEveryReplyIsSaid(t *testing.T) {
	for _, name := range screen.Languages() {
		l := lang(t, name)
		said := map[string]shift.Code{}
		for _, code := range shift.Codes() {
			text := l.Replied(shift.Reply{Code: code, Text: "TEXT7", Label: "LABEL7", Nest: "nest 7", Settings: shift.Settings{WorkOrder: "WO-7"}})
			if text == "" || strings.Contains(text, "{") {
				t.Errorf("%s: %s is said as %q", name, code, text)
			}
			if other, twice := said[text]; twice {
				t.Errorf("%s: %s and %s both say %q", name, other, code, text)
			}
			said[text] = code
		}
		for code, names := range map[shift.Code]string{shift.BadBadge: "TEXT7", shift.BadNumber: "TEXT7", shift.PageFirst: "TEXT7", shift.UnknownCommand: "TEXT7",
			shift.SkipAgain: "nest 7", shift.Settled: "WO-7", shift.Reworked: "LABEL7", shift.NotRecorded: "TEXT7"} {
			if text := l.Replied(shift.Reply{Code: code, Text: "TEXT7", Label: "LABEL7", Nest: "nest 7", Settings: shift.Settings{WorkOrder: "WO-7"}}); !strings.Contains(text, names) {
				t.Errorf("%s: %s does not name %s: %q", name, code, names, text)
			}
		}
		if text := l.Replied(shift.Reply{}); text != "" {
			t.Errorf("%s: no reply is said as %q", name, text)
		}
	}
}

// Every page is whole at every size in every language.
func TestGoldenPages(t *testing.T) {
	for _, name := range screen.Languages() {
		l := lang(t, name)
		var all strings.Builder
		for _, k := range screen.Kinds() {
			p := shift.Page{Kind: k}
			switch k {
			case shift.OrderPage:
				p.Now = "WO-2026-00417"
			case shift.PINPage:
				p.Masked = true
				p.About = []station.Message{{Code: station.StopNoAnswer, Args: station.Args{Nest: "nest 2", Detail: station.Count(3)}}}
			case shift.HoldsPage:
				for i := range 30 { // more than there is room for
					p.Rows = append(p.Rows, []station.Arg{station.Verbatim(fmt.Sprintf("HP54-%06d-7", 17+i)), station.Age(time.Duration(500-17*i) * time.Minute), station.InBox("B-1"),
						station.Verbatim("2026-03-02 12:31")})
				}
			case shift.FiguresPage:
				h := handOver(handedOver(), shift.Settings{WorkOrder: "WO-2026-00417", Quantity: 300})
				p.Figures = &h
			case shift.HandOverPage:
				h := handOver(bench(3), shift.Settings{})
				p.HandOver = &h
			}
			for _, size := range sizes {
				pic := screen.DrawPage(l, bench(3), p, size[0], size[1], "")
				t.Run(fmt.Sprintf("%s, page %d, %dx%d", name, k, size[0], size[1]), func(t *testing.T) { fits(t, pic, size[0], size[1]) })
				fmt.Fprintf(&all, "page %d %dx%d\n%s\n\n", k, size[0], size[1], pic.Text)
			}
		}
		golden(t, "pages-"+name, all.String())
	}
}

// What is to be known until it no longer holds stays on the screen, as do the
// most frequent reasons, whatever has been said since.
func TestStandingAndReasons(t *testing.T) {
	s := handedOver()
	s.Stops = nil
	for range station.MaxMessages {
		s.Messages = append(s.Messages, station.Message{At: noon, Nest: station.NoNest, Code: station.NoticeTwice, Args: usual})
	}
	for _, size := range sizes {
		p := screen.Draw(s, size[0], size[1], false, "", "")
		fits(t, p, size[0], size[1])
		if !strings.Contains(spoken(p), "A check unit is overdue since 14:00") {
			t.Errorf("%v: the check unit is not on the screen\n%s", size, p.Text)
		}
		if size[1] == 40 && !strings.Contains(spoken(p), "Most frequent: dirty 5, seat 2, verify 1") {
			t.Errorf("%v: the reasons are not on the screen\n%s", size, p.Text)
		}
	}
}

// What answers the hands is seen, also beside a stop that has much to say.
func TestAnswersStandBeforeStops(t *testing.T) {
	s := bench(3)
	s.Stops = []station.Stop{{Nest: 2, Code: station.StopPort, Args: station.Args{Nest: "nest 3",
		Detail: station.Verbatim("opening tcp:127.0.0.1:5403: opening tcp:127.0.0.1:5403: dial tcp 127.0.0.1:5403: connect: connection refused")}, Since: noon}}
	s.At = noon.Add(time.Hour)
	s.Messages = []station.Message{{At: s.At, Nest: station.NoNest, Code: station.RefusedNoNest}}
	if p := screen.Draw(s, 80, 24, false, "", ""); !strings.Contains(spoken(p), "No nest is empty. Take a finished unit out first.") {
		t.Errorf("the answer is not on the screen\n%s", p.Text)
	}
	s.At = s.At.Add(time.Minute)
	if p := screen.Draw(s, 80, 24, false, "", ""); !strings.Contains(spoken(p), "connection refused") {
		t.Errorf("the stop is not on the screen\n%s", p.Text)
	}
}

// What is entered on a masked page is not on the screen; how many characters
// it is, is.
func TestMaskedEntry(t *testing.T) {
	for _, size := range sizes {
		p := screen.DrawTyped(lang(t, "en"), bench(3), shift.Page{Kind: shift.PINPage, Masked: true}, size[0], size[1], "271828")
		fits(t, p, size[0], size[1])
		if strings.Contains(p.Text, "2718") || !strings.Contains(p.Text, "Entry: ******_") {
			t.Errorf("%v:\n%s", size, p.Text)
		}
	}
}
