package shift

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
)

var badges = regexp.MustCompile("^[0-9]{4,8}$")

var allSettings = []PageKind{OrderPage, QuantityPage, WindowPage, GasketPage, EmitterPage}

// lead takes entries one after the other, a minute apart: "" is Enter. What
// has to be done is told, a line a deed.
func lead(s *dialog, snap station.Snapshot, entries ...string) (told []string) {
	at := noon
	for _, e := range entries {
		at = at.Add(time.Minute)
		in := Input{Kind: Label, Text: e, Nest: station.NoNest, At: at}
		if e == "" {
			in.Kind = Go
		}
		for _, d := range s.take(in, snap) {
			switch d := d.(type) {
			case passed:
				told = append(told, fmt.Sprintf("passed %d %s nest %d", d.Kind, d.Text, d.Nest))
			case signedOn:
				told = append(told, fmt.Sprintf("on %s, %d cautions", d.person, len(d.cautions)))
			case signedOff:
				told = append(told, "off "+d.handOver.Person)
			case settled:
				told = append(told, fmt.Sprintf("set %+v", d.Settings))
			case unpowered:
				told = append(told, fmt.Sprintf("no power in %d, %s", d.nest, d.name))
			case noted:
				told = append(told, "note "+d.text)
			case held:
				told = append(told, "held "+d.label+" "+d.reason)
			case reworked:
				told = append(told, "mended "+d.label+" "+d.code)
			case Reply:
				word := "said"
				if d.Done {
					word = "done"
				}
				told = append(told, strings.Join(strings.Fields(strings.Join([]string{word, string(d.Code), d.Text, d.Label, d.Nest}, " ")), " "))
			}
		}
	}
	return told
}

const hopper = "H54-00001-O"

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// vacant is a station whose nests are all empty.
func vacant(nests int) station.Snapshot {
	s := station.Snapshot{At: noon, Station: "cal-1", Hands: station.Hands{Nest: station.NoNest, Code: station.HandsScan}}
	for i := range nests {
		s.Nests = append(s.Nests, station.NestView{Name: fmt.Sprintf("nest %d", i+1), Step: station.Vacant})
	}
	return s
}

// options are how a dialog begins.
type options struct {
	Rules    Rules
	Operator string
	Settings Settings
}

func TestDialog(t *testing.T) {
	type want struct {
		deeds string
		page  PageKind // 0 for none
	}
	open := vacant(2)
	open.Label = hopper
	running := vacant(2)
	running.Nests[1].Step, running.Nests[1].Attempt = station.EmptyCapture, 1
	running.Hands = station.Hands{Nest: 1, Code: station.HandsWait}
	doubt := vacant(2)
	doubt.Hands = station.Hands{Nest: 1, Code: station.HandsEmitter}
	const first = "on 4711, 4 cautions"
	for _, c := range []struct {
		name    string
		options options
		snap    station.Snapshot
		entries []string
		want    want
	}{
		{"nobody is asked", options{}, vacant(2), []string{hopper, "", "4711"}, want{"passed 1 " + hopper + " nest -1|passed 3  nest -1|passed 1 4711 nest -1", 0}},
		{"signed on already", options{Rules: Rules{Badge: badges}, Operator: "op-1"}, vacant(2), []string{hopper}, want{"passed 1 " + hopper + " nest -1", 0}},
		{"no badge, no work", options{Rules: Rules{Badge: badges}}, vacant(2), []string{hopper, "", "12", "CMD GO"},
			want{"said bad-badge " + hopper + "|said bad-badge 12", BadgePage}},
		{"badge, caution not read", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", hopper, "CMD SKIP"},
			want{"said page-first " + hopper + "|said page-first CMD SKIP", CautionPage}},
		{"badge, caution by key", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", "", hopper}, want{first + "|passed 1 " + hopper + " nest -1", 0}},
		{"badge, caution by label", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", "cmd go"}, want{first, 0}},
		{"settings, kept by Enter", options{Rules: Rules{Badge: badges, Ask: allSettings}, Settings: Settings{WindowLot: "W1"}}, vacant(2),
			[]string{"4711", "", "WO-7", "lots", "300", "", "G2", ""},
			want{first + "|said bad-number lots|set {WorkOrder:WO-7 Quantity:300 WindowLot:W1 GasketLot:G2 EmitterLot:}|" +
				"done settled", 0}},
		{"change of lots", options{}, vacant(2), []string{"CMD ORDER", "", "", "W2", "", ""},
			want{"set {WorkOrder: Quantity:0 WindowLot:W2 GasketLot: EmitterLot:}|done settled", 0}},
		{"what is no order, quantity or lot", options{Rules: Rules{Ask: allSettings, Order: regexp.MustCompile(`\AWO-[0-9]+\z`), Lot: regexp.MustCompile(`\A[WGE][0-9]\z`),
			Unit: func(s string) bool { return s == hopper }}}, vacant(2),
			[]string{"CMD ORDER", hopper, "WO-", "WO-7", "+5", "0", "1000000", "3 00", hopper, "300", hopper, "WO-7", "W1", "", ""},
			want{"said unit-label " + hopper + "|said bad-order WO-|said bad-number +5|said bad-number 0|said bad-number 1000000|said bad-number 3 00|" +
				"said bad-number " + hopper + "|said unit-label " + hopper + "|said bad-lot WO-7|" +
				"set {WorkOrder:WO-7 Quantity:300 WindowLot:W1 GasketLot: EmitterLot:}|done settled", 0}},
		{"own badge again", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", "", "4711"}, want{first + "|off 4711", HandOverPage}},
		{"the next badge at hand-over", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", "", "CMD OFF", "4712", ""},
			want{first + "|off 4711|on 4712, 4 cautions", 0}},
		{"relieved", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", "", "4712", "", ""}, want{first + "|off 4711|on 4712, 4 cautions", 0}},
		{"off, then a badge", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"4711", "", "CMD OFF", "", hopper}, want{first + "|off 4711|said bad-badge " + hopper, BadgePage}},
		{"off without badges", options{Operator: "op-1"}, vacant(2), []string{"CMD OFF", hopper, ""},
			want{"off op-1|said page-first " + hopper + "|on op-1, 0 cautions", 0}},
		{"message", options{}, vacant(2), []string{"CMD NOTE", "nest 2 rattles"}, want{"note nest 2 rattles|done noted", 0}},
		{"no message", options{}, vacant(2), []string{"CMD NOTE", ""}, want{"", 0}},
		{"help", options{}, vacant(2), []string{"CMD HELP"}, want{"", HelpPage}},
		{"help and back", options{}, vacant(2), []string{"CMD HELP", "", hopper}, want{"passed 1 " + hopper + " nest -1", 0}},
		{"help, then the next unit", options{}, vacant(2), []string{"CMD HELP", hopper}, want{"passed 1 " + hopper + " nest -1", 0}},
		{"help, then a command", options{}, vacant(2), []string{"CMD HELP", "CMD NOTE"}, want{"", NotePage}},
		{"a command is no lot", options{}, vacant(2), []string{"CMD ORDER", "CMD HELP"}, want{"said page-first CMD HELP", OrderPage}},
		{"a command is no badge", options{Rules: Rules{Badge: badges}}, vacant(2), []string{"CMD OFF"}, want{"said bad-badge CMD OFF", BadgePage}},
		{"rework", options{}, open, []string{"CMD REWORK WIPE"}, want{"mended " + hopper + " WIPE|done reworked WIPE " + hopper, 0}},
		{"hold", options{}, open, []string{"CMD HOLD scratch on the glass"}, want{"held " + hopper + " SCRATCH ON THE GLASS|done put-on-hold " + hopper, 0}},
		{"hold without a label", options{}, vacant(2), []string{"CMD HOLD SCRATCH"}, want{"said no-label-open", 0}},
		{"hold without a reason", options{}, open, []string{"CMD HOLD"}, want{"said unknown-command HOLD", 0}},
		{"rework without a label", options{}, vacant(2), []string{"CMD REWORK WIPE"}, want{"said no-label-open", 0}},
		{"start by label", options{}, running, []string{"CMD GO"}, want{"passed 3  nest 1", 0}},
		{"skip asks first", options{}, running, []string{"CMD SKIP"}, want{"said skip-again nest 2", 0}},
		{"skip twice", options{}, running, []string{"CMD SKIP", "CMD SKIP"},
			want{"said skip-again nest 2|passed 4  nest 1", 0}},
		{"skip, something else, skip", options{}, running, []string{"CMD SKIP", hopper, "CMD SKIP"},
			want{"said skip-again nest 2|passed 1 " + hopper +
				" nest -1|said skip-again nest 2", 0}},
		{"no power, twice", options{}, doubt, []string{"CMD POWER OFF", "", "CMD POWER OFF", "CMD POWER OFF"},
			want{"said power-again nest 2|passed 3  nest -1|said power-again nest 2|no power in 1, nest 2", 0}},
		{"no emitter in doubt", options{}, running, []string{"CMD POWER OFF"}, want{"said no-emitter", 0}},
		{"nothing to skip", options{}, vacant(2), []string{"CMD SKIP"}, want{"said nothing-to-skip", 0}},
		{"no such command", options{}, vacant(2), []string{"CMD DANCE", "CMD REWORK"}, want{"said unknown-command DANCE|said unknown-command REWORK", 0}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newDialog(c.options.Rules, c.options.Operator, c.options.Settings, []string{"1", "2", "3", "4"}, noon)
			if got := strings.Join(lead(s, c.snap, c.entries...), "|"); got != c.want.deeds {
				t.Errorf("got  %s\nwant %s", got, c.want.deeds)
			}
			var page PageKind
			if p := s.page(); p != nil {
				page = p.Kind
			}
			if page != c.want.page {
				t.Errorf("page %d, want %d", page, c.want.page)
			}
		})
	}
}
