package shift

import (
	"encoding/json"
	"math"
	"time"

	"example.org/panecal/station"
)

// HandOver is what one shift leaves to the next: what was worked on and when,
// what came of it, and what is still open. Its times are the site's.
type HandOver struct {
	Station  string
	Person   string // pseudonym of who signs off, for the file's name and the screen
	Named    bool   // figures of persons are wanted: Person stands in what is handed over
	From, To time.Time
	Settings Settings
	Counters station.Counters
	Box      station.Box
	Takt     float64 // good units an hour that are wanted, 0 for none
	Holds    []station.OnHold
	Stops    []station.Stop // in force
	Lifted   []station.Lifted
	Standing []station.Message
}

// Elapsed is the time from From to To as it went by, whatever the clock on the wall
// did meanwhile.
func (h HandOver) Elapsed() time.Duration { return h.To.Sub(h.From) }

// HandOverSchema names the form of a hand-over as JSON.
const HandOverSchema = "panecal.handover/1"

type (
	handOverJSON struct {
		Schema    string       `json:"schema"`
		Station   string       `json:"station"`
		Person    string       `json:"person,omitempty"`
		From      string       `json:"from"` // RFC 3339 with the site's offset
		To        string       `json:"to"`
		ElapsedH  float64      `json:"elapsed_h"`
		WorkedH   float64      `json:"worked_h"` // without pauses
		Order     orderJSON    `json:"order"`
		Units     unitsJSON    `json:"units"`
		PerHour   perHourJSON  `json:"good_per_hour"`
		Today     []tallyJSON  `json:"today"` // judged attempts by soft bin, of the site's day
		Nests     []nestJSON   `json:"nests"`
		CheckUnit *string      `json:"check_unit_passed"` // when one passed last
		CheckAgeH *float64     `json:"check_unit_age_h"`
		Holds     []holdJSON   `json:"holds"`
		Stops     []stopJSON   `json:"stops"`
		Lifted    []liftedJSON `json:"stops_lifted"`
		Standing  []noticeJSON `json:"standing"`
	}
	orderJSON struct {
		Number     string `json:"number"`
		Quantity   int    `json:"quantity"`
		Good       int    `json:"good"`
		Remaining  *int   `json:"remaining"`
		BoxSize    int    `json:"box_size"`
		Box        string `json:"box"`
		InBox      int    `json:"in_box"`
		WindowLot  string `json:"window_lot"`
		GasketLot  string `json:"gasket_lot"`
		EmitterLot string `json:"emitter_lot"`
	}
	unitsJSON struct {
		Judged      int `json:"judged"`
		Good        int `json:"good"`
		Failed      int `json:"failed"`
		Held        int `json:"held"`
		First       int `json:"first_attempts"`
		FirstPassed int `json:"first_passed"`
	}
	perHourJSON struct {
		Goal     *float64 `json:"goal"`
		LastHour *float64 `json:"last_hour"`
		Shift    *float64 `json:"shift"`
	}
	tallyJSON struct {
		SoftBin int    `json:"soft_bin"`
		Name    string `json:"soft_bin_name"`
		Units   int    `json:"units"`
	}
	nestJSON struct {
		Nest        string `json:"nest"`
		First       int    `json:"first_attempts"`
		FirstPassed int    `json:"first_passed"`
	}
	holdJSON struct {
		Serial string  `json:"serial"`
		Since  string  `json:"since"`
		AgeH   float64 `json:"age_h"`
		Code   string  `json:"code"`
		Box    string  `json:"box"`
	}
	stopJSON struct {
		Nest  string `json:"nest"`
		Code  string `json:"code"`
		Since string `json:"since"`
	}
	liftedJSON struct {
		Nest   string `json:"nest"`
		Code   string `json:"code"`
		At     string `json:"lifted"`
		By     string `json:"by"`
		Method string `json:"method"`
	}
	noticeJSON struct {
		Code string `json:"code"`
		Text string `json:"text"`
	}
)

// JSON is the hand-over for programs, in the form of HandOverSchema. What is not
// known is null.
func (h HandOver) JSON() ([]byte, error) {
	c, site := &h.Counters, h.To.Location()
	at := func(t time.Time) string { return t.In(site).Format(time.RFC3339) }
	out := handOverJSON{
		Schema: HandOverSchema, Station: h.Station, From: at(h.From), To: at(h.To), ElapsedH: hours(h.Elapsed()), WorkedH: hours(c.Work),
		Order: orderJSON{Number: h.Settings.WorkOrder, Quantity: h.Settings.Quantity, Good: c.OrderGood, BoxSize: h.Box.Size, Box: h.Box.Number, InBox: h.Box.Good,
			WindowLot: h.Settings.WindowLot, GasketLot: h.Settings.GasketLot, EmitterLot: h.Settings.EmitterLot},
		Units:   unitsJSON{Judged: c.Units, Good: c.Good, Failed: c.Failed, Held: c.Held, First: c.First, FirstPassed: c.FirstPassed},
		PerHour: perHourJSON{Goal: known(h.Takt, h.Takt > 0), LastHour: known(c.PerHour, true), Shift: known(c.ShiftPerHour, true)},
		Today:   []tallyJSON{}, Nests: []nestJSON{}, Holds: []holdJSON{}, Stops: []stopJSON{}, Lifted: []liftedJSON{}, Standing: []noticeJSON{},
	}
	if h.Named {
		out.Person = h.Person
	}
	if n := h.Settings.Quantity; n > 0 {
		left := max(n-c.OrderGood, 0)
		out.Order.Remaining = &left
	}
	if !c.Checked.IsZero() {
		when, age := at(c.Checked), hours(h.To.Sub(c.Checked))
		out.CheckUnit, out.CheckAgeH = &when, &age
	}
	for _, t := range c.Today {
		out.Today = append(out.Today, tallyJSON{t.SoftBin, t.Name, t.Units})
	}
	for _, n := range c.Nests {
		out.Nests = append(out.Nests, nestJSON{n.Name, n.First, n.Passed})
	}
	for _, u := range h.Holds {
		out.Holds = append(out.Holds, holdJSON{u.Serial, at(u.Since), hours(h.To.Sub(u.Since)), string(u.Why), u.Box})
	}
	for _, s := range h.Stops {
		out.Stops = append(out.Stops, stopJSON{s.Args.Nest, string(s.Code), at(s.Since)})
	}
	for _, l := range h.Lifted {
		out.Lifted = append(out.Lifted, liftedJSON{l.Args.Nest, string(l.Code), at(l.At), l.By, l.Method})
	}
	for _, m := range h.Standing {
		out.Standing = append(out.Standing, noticeJSON{string(m.Code), m.Code.Say(m.Args)})
	}
	return json.MarshalIndent(out, "", "  ")
}

// known is a number, nil where there is none.
func known(v float64, is bool) *float64 {
	if !is || math.IsNaN(v) {
		return nil
	}
	v = math.Round(10*v) / 10
	return &v
}

// hours has two digits after the point: 36 s.
func hours(d time.Duration) float64 { return math.Round(d.Hours()*100) / 100 }
