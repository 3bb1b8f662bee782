package shift

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// desk is a shift at a station that does nothing but remember.
type desk struct {
	*Shift
	t       *testing.T
	now     time.Time
	snap    station.Snapshot
	log     []string // what is on record, a line each
	raw     string   // all of it, as it is
	scanned []string
	lifts   []string
	moved   []*record.DispositionChange
	page    *Page
	said    Code
	crew    station.Crew
}

func (d *desk) Snapshot() station.Snapshot { return d.snap }
func (d *desk) Scan(_ int, text string)    { d.scanned = append(d.scanned, text) }
func (d *desk) Go(int)                     {}
func (d *desk) Skip(int)                   {}
func (*desk) Unpowered(int)                {}
func (d *desk) OpenBox(number string, takes []string) {
	d.snap.Box.Number, d.snap.Box.Good = number, len(takes)
}
func (d *desk) Unreadable()                            { d.scanned = append(d.scanned, "unreadable") }
func (d *desk) Disposed(c []*record.DispositionChange) { d.moved = append(d.moved, c...) }
func (d *desk) Rest(on bool) {
	d.snap.Counters.PausedSince = time.Time{}
	if on {
		d.snap.Counters.PausedSince = d.now
	}
}
func (d *desk) Crew(c station.Crew)   { d.crew = c }
func (d *desk) TakeUp(*station.Files) {}
func (d *desk) Lift(nest int, by, method string) {
	d.lifts = append(d.lifts, fmt.Sprintf("%s by %s, %s", d.snap.Nests[nest].Name, by, method))
	d.snap.Stops = slices.DeleteFunc(d.snap.Stops, func(s station.Stop) bool { return s.Nest == nest })
}

func (d *desk) Append(b record.Body) (record.Ref, error) {
	d.raw += fmt.Sprintf("%+v\n", b)
	switch b := b.(type) {
	case *record.SignOn:
		d.log = append(d.log, strings.TrimSpace(fmt.Sprintf("%s %s %s", map[bool]string{false: "on", true: "off"}[b.Off], b.Person, b.AllowedBy)))
	case *record.AccessRefused:
		line := fmt.Sprintf("refused %s: %s (%s)", b.Person, b.Code, b.Wanted)
		if !b.Until.IsZero() {
			line += " until " + b.Until.Format("15:04")
		}
		d.log = append(d.log, line)
	case *record.ShiftSettings:
	default:
		d.log = append(d.log, b.Kind().String())
	}
	return record.Ref{}, nil
}

// The verifiers are light: 1 pass of 64 KiB. The PINs are 493716 and 508213.
const staffRoster = `
[[person]]
id = "op"
roles = ["operator"]
[[person]]
id = "lapsed"
roles = ["operator"]
trained_until = 2026-03-01
[[person]]
id = "lead"
roles = ["lead", "operator"]
[[person]]
id = "fitter"
roles = ["maintenance"]
[[person]]
id = "gone"
roles = ["operator", "lead"]
revoked = 2026-01-01
`

const (
	light493716 = "$argon2id$v=19$m=64,t=1,p=1$N5nqp6l3vd1NqVQ068+W0Q$/0sbWZCpQ7O0F/1PS96+a1dI1L/5+ynJgideUyLlyCg"
	light508213 = "$argon2id$v=19$m=64,t=1,p=1$eoXWxt+KAlYktvsoFVyMVQ$JII/m2lF4oZnEu9xJMe32ekIlVA2wKzlLs8QK2zRZNk"
)

var staffBadges = map[string]string{"op": "900001", "lapsed": "900002", "lead": "900003", "fitter": "900004", "gone": "900005", "stranger": "900006"}

func newDesk(t *testing.T, recent ...record.Entry) *desk {
	t.Helper()
	r, err := roster.Read("roster.toml", []byte(staffRoster))
	if err != nil {
		t.Fatal(err)
	}
	people := ""
	for id, badge := range staffBadges {
		people += fmt.Sprintf("[[person]]\nid = %q\nname = \"Nobody's Name\"\nbadge = %q\n", id, badge)
		switch id {
		case "lead":
			people += fmt.Sprintf("pin = %q\n", light493716)
		case "fitter":
			people += fmt.Sprintf("pin = %q\n", light508213)
		}
	}
	p, err := roster.ReadPeople("people.toml", []byte(people))
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	if err := os.CopyFS(folder, os.DirFS("../../cmd/panecal/sample")); err != nil {
		t.Fatal(err)
	}
	all, err := papers.List{Folder: folder, Station: "cal-1", Sheet: "station.sheet.toml", Products: []string{"hopper-54.product.toml"}}.Read()
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, now: noon, snap: vacant(2)}
	d.Shift = New(Options{Station: d, Intake: &Intake{Catalogue: all, First: all[0]}, Recent: recent, Cautions: []string{"one"},
		Rules: Rules{Badge: regexp.MustCompile(`\A(?:[0-9]{4,8})\z`), Book: &roster.Book{Roster: r, People: p, Site: time.UTC}},
		Show:  func(p *Page, r Reply) { d.page, d.said = p, r.Code }, Now: func() time.Time { return d.now }})
	if err := d.Begin(); err != nil {
		t.Fatal(err)
	}
	return d
}

// scan, typed and enter are what hands do, two seconds apart.
func (d *desk) scan(text string) { d.put(Input{Kind: Label, Text: text}) }
func (d *desk) typed(text string) {
	d.put(Input{Kind: Label, Text: text, Typed: true})
}
func (d *desk) enter() { d.put(Input{Kind: Go}) }
func (d *desk) put(in Input) {
	d.now = d.now.Add(2 * time.Second)
	in.At, in.Nest = d.now, station.NoNest
	d.Enter(in)
}

func (d *desk) stop(nest int, code station.Code) {
	d.snap.Stops = append(d.snap.Stops, station.Stop{Nest: nest, Code: code, Since: d.now})
}

// want holds what came of it against what is wanted, and that nothing private
// is on record or was handed to the station.
func (d *desk) want(page PageKind, said Code, log ...string) {
	d.t.Helper()
	at := PageKind(0)
	if d.page != nil {
		at = d.page.Kind
	}
	if at != page || d.said != said {
		d.t.Errorf("page %d, said %q; want %d, %q", at, d.said, page, said)
	}
	if !slices.Equal(d.log, log) {
		d.t.Errorf("on record:\n%s\nwant:\n%s", strings.Join(d.log, "\n"), strings.Join(log, "\n"))
	}
	private := []string{"493716", "508213", "Nobody"}
	for _, badge := range staffBadges {
		private = append(private, badge)
	}
	for _, text := range private {
		if strings.Contains(d.raw+strings.Join(d.scanned, " "), text) {
			d.t.Errorf("%s left the station's own file", text)
		}
	}
	d.log, d.said = nil, ""
}

// TestRosteredBadges: only badges of the roster sign on or off.
func TestRosteredBadges(t *testing.T) {
	d := newDesk(t)
	d.scan("1234")
	d.want(BadgePage, UnknownBadge, "refused : badge unknown (sign on)")
	d.scan(staffBadges["stranger"]) // a badge with no pseudonym in the roster
	d.want(BadgePage, UnknownBadge, "refused : badge unknown (sign on)")
	d.scan(staffBadges["gone"])
	d.want(BadgePage, NotValid, "refused gone: not valid (sign on)")
	d.scan(staffBadges["fitter"])
	d.want(BadgePage, NoOperator, "refused fitter: role missing (sign on)")
	d.scan(staffBadges["op"])
	d.want(CautionPage, "")
	d.enter()
	d.want(0, "", "on op")
	d.scan("4711") // any number: today's roster knows it not
	d.want(0, UnknownBadge, "refused : badge unknown (sign on)")
	d.scan("493716") // a PIN, where none was asked for
	d.want(0, UnknownBadge, "refused : badge unknown (sign on)")
	d.typed("4937169999") // no badge, no label
	if len(d.scanned) != 1 || d.scanned[0] != "**********" {
		t.Errorf("handed on: %q", d.scanned)
	}
	d.scan("H54-00001-O")
	if len(d.scanned) != 2 || d.scanned[1] != "H54-00001-O" {
		t.Errorf("handed on: %q", d.scanned)
	}
	d.scan(staffBadges["gone"]) // another's badge changes nothing
	d.want(0, NotValid, "refused gone: not valid (sign on)")
	d.scan(staffBadges["op"])
	d.want(HandOverPage, "", "off op")
}

// TestTrainingEnded: a lead may allow one shift; nobody allows the own.
func TestTrainingEnded(t *testing.T) {
	d := newDesk(t)
	d.scan(staffBadges["lapsed"])
	d.want(AllowPage, TrainingEnded, "refused lapsed: training ended (sign on)")
	d.scan(staffBadges["lapsed"])
	d.want(AllowPage, NoLead, "refused lapsed: role missing (sign on)")
	d.scan(staffBadges["op"])
	d.want(AllowPage, NoLead, "refused op: role missing (sign on)")
	d.scan(staffBadges["lead"])
	d.want(PINPage, "")
	d.scan("493716")
	d.want(PINPage, PINScanned, "refused lead: pin scanned (sign on)")
	d.typed("493716")
	d.want(CautionPage, "")
	d.enter()
	d.want(0, "", "on lapsed lead")
	d.scan(staffBadges["lapsed"])
	d.enter()
	d.scan(staffBadges["lapsed"]) // it was for one shift
	d.want(AllowPage, TrainingEnded, "off lapsed", "refused lapsed: training ended (sign on)")
	d.enter()
	d.want(BadgePage, "")
}

// TestLift: a stop is lifted by badge and PIN of who may; nobody signs on or
// off by it.
func TestLift(t *testing.T) {
	d := newDesk(t)
	d.scan(staffBadges["op"])
	d.enter()
	d.want(0, "", "on op")
	d.stop(1, station.StopSame)
	d.now = d.now.Add(time.Minute)
	d.stop(0, station.StopFixture)
	d.scan(staffBadges["fitter"]) // only the fixture's
	if d.page == nil || len(d.page.About) != 1 || d.page.About[0].Code != station.StopFixture {
		t.Fatalf("page %+v", d.page)
	}
	d.typed("508213")
	d.want(0, "")
	d.scan(staffBadges["lead"])
	d.typed("49371")
	d.want(PINPage, PINForm)
	d.typed("493717")
	d.want(PINPage, PINWrong, "refused lead: pin wrong (same_failure_in_a_row)")
	d.typed("493716")
	d.want(0, "")
	if got := strings.Join(d.lifts, "; "); got != "nest 1 by fitter, badge; nest 2 by lead, badge" {
		t.Errorf("lifted %s", got)
	}
	// The lead chooses: the own badge again goes on to the next stop.
	d.stop(1, station.StopSame)
	d.now = d.now.Add(time.Minute)
	d.stop(0, station.StopNoAnswer)
	d.stop(station.NoNest, station.StopStore)
	d.scan(staffBadges["lead"])
	for _, nest := range []int{1, 0, 1} {
		if d.page == nil || d.page.About[0].Nest != nest || !d.page.Masked {
			t.Errorf("page %+v, want nest %d", d.page, nest)
		}
		d.scan(staffBadges["lead"])
	}
	d.enter()
	d.want(0, "") // a failed store is nothing that a badge mends
	// The prompt closes after 30 seconds; what is typed then is no PIN.
	d.scan(staffBadges["lead"])
	d.now = d.now.Add(29 * time.Second)
	d.Tick()
	d.want(PINPage, "")
	d.now = d.now.Add(time.Second)
	d.Tick()
	d.want(0, PINClosed)
	d.typed("493716")
	d.want(0, UnknownBadge, "refused : badge unknown (sign on)")
	if len(d.lifts) != 2 {
		t.Errorf("lifted %q", d.lifts)
	}
	// The operator's own badge at a stop signs off, as ever.
	d.snap.Stops = d.snap.Stops[:0]
	d.stop(1, station.StopSame)
	d.scan(staffBadges["op"])
	d.want(HandOverPage, "", "off op")
}

// TestWrongPINs: five in a row bar the badge for a quarter of an hour, also
// over a restart; a right one between begins anew.
func TestWrongPINs(t *testing.T) {
	d := newDesk(t)
	d.scan(staffBadges["op"])
	d.enter()
	d.stop(1, station.StopSame)
	d.log = nil
	d.scan(staffBadges["lead"])
	wrong := "refused lead: pin wrong (same_failure_in_a_row)"
	for range 4 {
		d.typed("100200")
	}
	d.want(PINPage, PINWrong, wrong, wrong, wrong, wrong)
	d.typed("100200")
	until := d.now.Add(15 * time.Minute)
	d.want(0, BadgeBarred, wrong, "refused lead: badge barred (same_failure_in_a_row) until "+until.Format("15:04"))
	d.scan(staffBadges["lead"])
	d.want(0, BadgeBarred)
	again := newDesk(t, record.Entry{Body: &record.AccessRefused{Person: "lead", Code: string(AccessBarred), Until: until}})
	again.now = until.Add(-time.Minute)
	again.scan(staffBadges["lead"])
	again.want(BadgePage, BadgeBarred)
	d.now = until
	d.scan(staffBadges["lead"])
	for range 4 {
		d.typed("100200")
	}
	d.typed("493716")
	d.want(0, "", wrong, wrong, wrong, wrong)
	if len(d.lifts) != 1 {
		t.Errorf("lifted %q", d.lifts)
	}
	// Four before a restart and one after it are five.
	var recent []record.Entry
	for range 4 {
		recent = append(recent, record.Entry{Time: noon, Body: &record.AccessRefused{Person: "lead", Code: string(AccessPIN)}})
	}
	again = newDesk(t, recent...)
	again.scan(staffBadges["op"])
	again.enter()
	again.stop(1, station.StopSame)
	again.log = nil
	again.scan(staffBadges["lead"])
	again.typed("100200")
	again.want(0, BadgeBarred, wrong, "refused lead: badge barred (same_failure_in_a_row) until "+again.now.Add(15*time.Minute).Format("15:04"))
}

// TestRosterChanges: another roster holds at once. Who may not work by it any more
// goes on with what is in hand, and is signed off, on record, at the next label, which
// begins no attempt; everybody else stays.
func TestRosterChanges(t *testing.T) {
	change := func(d *desk, from, to string) {
		t.Helper()
		text := strings.Replace(staffRoster, from, to, 1)
		if text == staffRoster {
			t.Fatalf("the roster does not say %q", from)
		}
		r, err := roster.Read("roster.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		d.Roster(&roster.Book{Roster: r, People: d.o.Rules.Book.People, Site: time.UTC})
	}
	for _, c := range []struct {
		from, to string
		said     Code
		refused  string
	}{
		{"id = \"op\"\n", "id = \"op\"\nrevoked = 2026-01-01\n", NotValid, "refused op: not valid (stay signed on)"},
		{"id = \"op\"\n", "id = \"else\"\n", NotValid, "refused op: not valid (stay signed on)"},
		{"roles = [\"operator\"]", "roles = [\"maintenance\"]", NoOperator, "refused op: role missing (stay signed on)"},
		{"id = \"lead\"\n", "id = \"lead\"\nrevoked = 2026-01-01\n", "", ""},
		{"roles = [\"lead\", \"operator\"]", "roles = [\"lead\"]", "", ""},
	} {
		d := newDesk(t)
		d.scan(staffBadges["op"])
		d.enter()
		d.scan("H54-00001-O")
		d.log, d.said = nil, ""
		change(d, c.from, c.to)
		d.enter() // "go on" is for the unit in hand
		if len(d.log) > 0 || d.page != nil || d.said != "" {
			t.Errorf("%q: in the middle of an attempt %q, page %+v, said %s", c.to, d.log, d.page, d.said)
		}
		d.scan("H54-00002-M")
		if c.said == "" {
			if len(d.scanned) != 2 || len(d.log) > 0 {
				t.Errorf("%q: scanned %q, on record %q", c.to, d.scanned, d.log)
			}
			continue
		}
		if want := []string{"off op", c.refused}; !slices.Equal(d.log, want) || d.said != c.said || len(d.scanned) != 1 {
			t.Errorf("%q: on record %q, want %q; said %s; scanned %q", c.to, d.log, want, d.said, d.scanned)
		}
		if !strings.Contains(d.raw, "Off:true Method:roster") {
			t.Errorf("%q: how they were signed off is not on record: %s", c.to, d.raw)
		}
		// Nobody else is kept from the station, and this one does not come back.
		d.log = nil
		d.scan(staffBadges["op"])
		if d.crew.Operator != "op" || slices.Contains(d.log, "on op") {
			t.Errorf("%q: %q", c.to, d.log)
		}
		d.scan(staffBadges["lead"])
		d.enter()
		if !slices.Contains(d.log, "on lead") {
			t.Errorf("%q: the lead: %q, page %+v", c.to, d.log, d.page)
		}
	}
}

// TestShiftResumes: where the end of the program cut a shift, order, quantity
// and lots are what they were, shown before Enter confirms, and the shift of the
// same person goes on; another's begins anew.
func TestShiftResumes(t *testing.T) {
	recent := []record.Entry{{Body: &record.SignOn{Person: "op"}},
		{Body: &record.ShiftSettings{WorkOrder: "WO-7", Quantity: 300, WindowLot: "W1"}},
		{Body: &record.SignOn{Person: "op", Off: true, Method: station.SignedOffByClosing}}}
	for _, c := range []struct {
		who  string
		anew bool
	}{{"op", false}, {"lead", true}} {
		d := newDesk(t, recent...)
		d.dialog.rules.Ask, d.dialog.set = []PageKind{OrderPage, QuantityPage, WindowPage}, Resumed(recent, "")
		d.snap.Order, d.snap.Counters.OrderGood = "WO-7", 212
		d.scan(staffBadges[c.who])
		d.enter()
		for _, want := range []string{"WO-7", "212 / 300", "W1"} {
			if d.page == nil || d.page.Now != want {
				t.Errorf("%s: page %+v, want %s", c.who, d.page, want)
			}
			d.enter()
		}
		d.want(0, Settled, "on "+c.who)
		if d.crew.WorkOrder != "WO-7" || d.crew.Quantity != 300 || d.crew.WindowLot != "W1" {
			t.Errorf("%s: %+v", c.who, d.crew)
		}
		again := newDesk(t, recent...)
		again.scan(staffBadges[c.who])
		again.enter()
		if again.crew.Anew != c.anew {
			t.Errorf("%s: anew %v", c.who, again.crew.Anew)
		}
	}
	if s := Resumed(recent, "WO-8"); s.WorkOrder != "WO-8" || s.Quantity != 0 || s.WindowLot != "W1" {
		t.Errorf("another order: %+v", s)
	}
	if lastOn(append(recent, record.Entry{Body: &record.SignOn{Person: "op", Off: true, Method: "screen"}})) != "" {
		t.Error("who signed off is signed on")
	}
}
