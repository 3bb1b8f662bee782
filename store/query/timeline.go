package query

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Moment is one record of the timeline, in a line.
type Moment struct {
	Record Ref       `json:"record"`
	Time   time.Time `json:"time"`
	Kind   string    `json:"kind"`
	Serial string    `json:"serial"`  // that the record names, "" for none
	UnitID string    `json:"unit_id"` // that answered, "" for none
	Other  bool      `json:"other"`   // under another label than this history's
	Text   string    `json:"text"`
}

// Check is the newest attempt of a check unit before another attempt.
type Check struct {
	Record  Ref            `json:"record"`
	Time    time.Time      `json:"time"`
	Serial  string         `json:"serial"`
	Nest    string         `json:"nest"`
	Outcome record.Outcome `json:"outcome"`
}

// timeline puts all records in log order. Intents that were carried out are left
// out: their result says the same.
func (u *Unit) timeline(whole map[record.Ref]record.Entry) {
	done := map[record.Ref]bool{}
	for _, e := range whole {
		if a, ok := e.Body.(*record.Attempt); ok {
			if a.Intent != nil {
				done[*a.Intent] = true
			}
			if a.WriteIntent != nil {
				done[*a.WriteIntent] = true
			}
		}
	}
	for _, e := range slices.SortedFunc(maps.Values(whole), func(a, b record.Entry) int {
		if ref(a.Ref).before(ref(b.Ref)) {
			return -1
		}
		return 1
	}) {
		if done[e.Ref] {
			continue
		}
		s := e.Body.Subject()
		m := Moment{Record: ref(e.Ref), Time: e.Time, Kind: e.Body.Kind().String(), Serial: s.Serial, UnitID: s.UnitID,
			Other: s.Serial != "" && s.Serial != u.Serial, Text: words(e.Body)}
		switch b := e.Body.(type) {
		case *record.Attempt:
			m.Text = fmt.Sprintf("attempt %d (%s) %s, %s, soft bin %d %s", b.Run.AttemptNo, b.Run.Purpose, b.Outcome, orDash(string(b.Judgement.Disposition)),
				b.Judgement.SoftBin, b.Judgement.SoftName)
		case *record.AttemptIntent:
			m.Text += "  UNFINISHED"
		}
		u.Timeline = append(u.Timeline, m)
	}
}

// Past is what AddChecks reads of a log.
type Past interface {
	PositionsBetween(from, to time.Time) ([]store.Position, error)
	// Runs gives the attempts of a purpose among some records, in their order.
	Runs(list []store.Position, p record.Purpose, each func(record.Entry) error) error
}

// checksBefore is how long before an attempt a check unit may have run, and
// checksLooked how many records back are read for one.
const (
	checksBefore = 24 * time.Hour
	checksLooked = 600
)

// AddChecks sets for each attempt how the check units of its nest stood then: the
// newest result of each within the day before, of the last few hundred records.
func (u *Unit) AddChecks(src Past) error {
	for i := range u.Attempts {
		a := &u.Attempts[i]
		list, err := src.PositionsBetween(a.Time.Add(-checksBefore), a.Time)
		if err != nil {
			return fmt.Errorf("reading the check units before record %s: %w", a.Record.short(), err)
		}
		list = slices.DeleteFunc(list, func(p store.Position) bool {
			return p.Kind != record.KindAttempt || p.Ref.Station != a.Record.Station || !ref(p.Ref).before(a.Record)
		})
		slices.Reverse(list)
		seen := map[string]bool{}
		err = src.Runs(list[:min(len(list), checksLooked)], record.CheckUnit, func(e record.Entry) error {
			if b, ok := e.Body.(*record.Attempt); ok && b.Run.Nest == a.Nest && !seen[b.Run.Serial] {
				seen[b.Run.Serial] = true
				a.CheckUnits = append(a.CheckUnits, Check{ref(e.Ref), e.Time, b.Run.Serial, b.Run.Nest, b.Outcome})
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("reading the check units before record %s: %w", a.Record.short(), err)
		}
	}
	return nil
}
