package screen_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

var badges = regexp.MustCompile("^[0-9]{4,8}$")

var allSettings = []screen.PageKind{screen.OrderPage, screen.QuantityPage, screen.WindowPage, screen.GasketPage, screen.EmitterPage}

// lead takes entries one after the other, a minute apart: "" is Enter. What
// has to be done is told, a line a deed.
func lead(s *screen.Shift, snap station.Snapshot, entries ...string) (told []string) {
	at := noon
	for _, e := range entries {
		at = at.Add(time.Minute)
		in := screen.Input{Kind: screen.Label, Text: e, Nest: station.NoNest, At: at}
		if e == "" {
			in.Kind = screen.Go
		}
		for _, d := range s.Take(in, snap) {
			switch d := d.(type) {
			case screen.Passed:
				told = append(told, fmt.Sprintf("passed %d %s nest %d", d.Kind, d.Text, d.Nest))
			case screen.SignedOn:
				told = append(told, fmt.Sprintf("on %s, %d cautions", d.Person, len(d.Acknowledged)))
			case screen.SignedOff:
				told = append(told, "off "+d.Person)
			case screen.Set:
				told = append(told, fmt.Sprintf("set %+v", d.Settings))
			case screen.Left:
				told = append(told, "note "+d.Text)
			case screen.Mended:
				told = append(told, "mended "+d.Label+" "+d.Code)
			case screen.Said:
				word := "said "
				if d.Done {
					word = "done "
				}
				told = append(told, word+d.Text)
			}
		}
	}
	return told
}

func TestShift(t *testing.T) {
	type want struct {
		deeds string
		page  screen.PageKind // 0 for none
	}
	open := bench(2)
	open.Label = label
	running := call(counting(bench(2), 1, station.EmptyCapture, 10), 1, station.HandsWait)
	const first = "on 4711, 4 cautions"
	for _, c := range []struct {
		name    string
		options screen.ShiftOptions
		snap    station.Snapshot
		entries []string
		want    want
	}{
		{"nobody is asked", screen.ShiftOptions{}, bench(2), []string{label, "", "4711"}, want{"passed 1 " + label + " nest -1|passed 3  nest -1|passed 1 4711 nest -1", 0}},
		{"signed on already", screen.ShiftOptions{Badge: badges, Operator: "op-1"}, bench(2), []string{label}, want{"passed 1 " + label + " nest -1", 0}},
		{"no badge, no work", screen.ShiftOptions{Badge: badges}, bench(2), []string{label, "", "12", "CMD GO"},
			want{"said This is no badge: " + label + ".|said This is no badge: 12.", screen.BadgePage}},
		{"badge, caution not read", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", label, "CMD SKIP"},
			want{"said Answer this first; " + label + " was not taken.|said Answer this first; CMD SKIP was not taken.", screen.CautionPage}},
		{"badge, caution by key", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", "", label}, want{first + "|passed 1 " + label + " nest -1", 0}},
		{"badge, caution by label", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", "cmd go"}, want{first, 0}},
		{"settings, kept by Enter", screen.ShiftOptions{Badge: badges, Ask: allSettings, Settings: screen.Settings{WindowLot: "W1"}}, bench(2),
			[]string{"4711", "", "WO-7", "lots", "300", "", "G2", ""},
			want{first + "|said This is no number of units: lots.|set {WorkOrder:WO-7 Quantity:300 WindowLot:W1 GasketLot:G2 EmitterLot:}|" +
				"done Work order WO-7, 300 units. Lots: windows W1, gaskets G2, emitters -.", 0}},
		{"change of lots", screen.ShiftOptions{}, bench(2), []string{"CMD ORDER", "", "", "W2", "", ""},
			want{"set {WorkOrder: Quantity:0 WindowLot:W2 GasketLot: EmitterLot:}|done Work order -, - units. Lots: windows W2, gaskets -, emitters -.", 0}},
		{"own badge again", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", "", "4711"}, want{first + "|off 4711", screen.HandOverPage}},
		{"the next badge at hand-over", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", "", "CMD OFF", "4712", ""},
			want{first + "|off 4711|on 4712, 4 cautions", 0}},
		{"relieved", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", "", "4712", "", ""}, want{first + "|off 4711|on 4712, 4 cautions", 0}},
		{"off, then a badge", screen.ShiftOptions{Badge: badges}, bench(2), []string{"4711", "", "CMD OFF", "", label}, want{first + "|off 4711|said This is no badge: " + label + ".", screen.BadgePage}},
		{"off without badges", screen.ShiftOptions{Operator: "op-1"}, bench(2), []string{"CMD OFF", label, ""},
			want{"off op-1|said Answer this first; " + label + " was not taken.|on op-1, 0 cautions", 0}},
		{"message", screen.ShiftOptions{}, bench(2), []string{"CMD NOTE", "nest 2 rattles"}, want{"note nest 2 rattles|done The message is on record.", 0}},
		{"no message", screen.ShiftOptions{}, bench(2), []string{"CMD NOTE", ""}, want{"", 0}},
		{"help", screen.ShiftOptions{}, bench(2), []string{"CMD HELP"}, want{"", screen.HelpPage}},
		{"help and back", screen.ShiftOptions{}, bench(2), []string{"CMD HELP", "", label}, want{"passed 1 " + label + " nest -1", 0}},
		{"help, then the next unit", screen.ShiftOptions{}, bench(2), []string{"CMD HELP", label}, want{"passed 1 " + label + " nest -1", 0}},
		{"help, then a command", screen.ShiftOptions{}, bench(2), []string{"CMD HELP", "CMD NOTE"}, want{"", screen.NotePage}},
		{"a command is no lot", screen.ShiftOptions{}, bench(2), []string{"CMD ORDER", "CMD HELP"}, want{"said Answer this first; CMD HELP was not taken.", screen.OrderPage}},
		{"a command is no badge", screen.ShiftOptions{Badge: badges}, bench(2), []string{"CMD OFF"}, want{"said This is no badge: CMD OFF.", screen.BadgePage}},
		{"rework", screen.ShiftOptions{}, open, []string{"CMD REWORK WIPE"}, want{"mended " + label + " WIPE|done Rework WIPE of " + label + " is on record.", 0}},
		{"rework without a label", screen.ShiftOptions{}, bench(2), []string{"CMD REWORK WIPE"}, want{"said Scan the unit's label first, then the rework code.", 0}},
		{"start by label", screen.ShiftOptions{}, running, []string{"CMD GO"}, want{"passed 3  nest 1", 0}},
		{"skip asks first", screen.ShiftOptions{}, running, []string{"CMD SKIP"}, want{"said End the attempt in nest 2, on record as aborted? The same again ends it.", 0}},
		{"skip twice", screen.ShiftOptions{}, running, []string{"CMD SKIP", "CMD SKIP"},
			want{"said End the attempt in nest 2, on record as aborted? The same again ends it.|passed 4  nest 1", 0}},
		{"skip, something else, skip", screen.ShiftOptions{}, running, []string{"CMD SKIP", label, "CMD SKIP"},
			want{"said End the attempt in nest 2, on record as aborted? The same again ends it.|passed 1 " + label +
				" nest -1|said End the attempt in nest 2, on record as aborted? The same again ends it.", 0}},
		{"nothing to skip", screen.ShiftOptions{}, bench(2), []string{"CMD SKIP"}, want{"said There is no attempt to end where the hands are now.", 0}},
		{"no such command", screen.ShiftOptions{}, bench(2), []string{"CMD DANCE", "CMD REWORK"}, want{"said There is no command DANCE.|said There is no command REWORK.", 0}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := screen.NewShift(c.options, noon)
			if got := strings.Join(lead(s, c.snap, c.entries...), "|"); got != c.want.deeds {
				t.Errorf("got  %s\nwant %s", got, c.want.deeds)
			}
			var page screen.PageKind
			if p := s.Page(); p != nil {
				page = p.Kind
			}
			if page != c.want.page {
				t.Errorf("page %d, want %d", page, c.want.page)
			}
		})
	}
}

// handedOver is a snapshot at the end of a shift.
func handedOver() station.Snapshot {
	s := bench(3)
	s.Counters.Bins = []station.Tally{{SoftBin: 20, Name: "dirty", Units: 5}, {SoftBin: 30, Name: "seat", Units: 2}, {SoftBin: 90, Name: "verify", Units: 1}}
	s.Stops = []station.Stop{{Nest: 1, Code: station.StopSame, Args: station.Args{Nest: "nest 2", Detail: "3", Other: "dirty"}, Since: noon}}
	s.Standing = []station.Message{{Nest: station.NoNest, Code: station.NoticeCheckOver, Args: station.Args{Detail: "14:00"}}}
	return s
}

// The hand-over says what the next shift needs to know.
func TestSummary(t *testing.T) {
	s := screen.NewShift(screen.ShiftOptions{Operator: "4711", Takt: 90, Settings: screen.Settings{WorkOrder: "WO-7", Quantity: 300, WindowLot: "W1"}}, noon)
	got := strings.Join(s.Summary(handedOver(), noon.Add(8*time.Hour)), "\n")
	want := `4711, 2026-03-02 12:00 to 2026-03-02 20:00
Work order WO-7, 300 units. Lots: windows W1, gaskets -, emitters -.
212 units, first pass 95 %, 61/h, takt 90/h, 8 failed, 3 on hold
Most frequent: dirty 5, seat 2, verify 1
holds still open: 3
STOP: Nest 2: 3 units in a row failed the same way: dirty. Call the line lead: check lots, window and nest.
A check unit is overdue since 14:00. Run a check unit now.`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Every page is whole at every size in every language.
func TestGoldenPages(t *testing.T) {
	for _, name := range screen.Languages() {
		l := lang(t, name)
		var all strings.Builder
		for _, k := range screen.Kinds() {
			p := screen.Page{Kind: k}
			switch k {
			case screen.OrderPage:
				p.Lines = []string{"= WO-2026-00417"}
			case screen.HandOverPage:
				s := screen.NewShift(screen.ShiftOptions{Operator: "4711", Language: l, Takt: 90}, noon)
				p.Lines = s.Summary(bench(3), noon.Add(8*time.Hour))
			}
			for _, size := range sizes {
				pic := screen.DrawPage(l, bench(3), p, size[0], size[1], "")
				t.Run(fmt.Sprintf("%s, page %d, %dx%d", name, k, size[0], size[1]), func(t *testing.T) { fits(t, pic, size[0], size[1]) })
				if size[0] != 120 {
					fmt.Fprintf(&all, "page %d %dx%d\n%s\n\n", k, size[0], size[1], pic.Text)
				}
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
		Detail: "opening tcp:127.0.0.1:5403: opening tcp:127.0.0.1:5403: dial tcp 127.0.0.1:5403: connect: connection refused"}, Since: noon}}
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
