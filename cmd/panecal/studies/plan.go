package studies

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// plan is a gauge study at the station as the log keeps it: who measures which
// parts how often. The order follows from the seed.
type plan struct {
	Parts      []string `json:"parts"`          // serials
	Labels     []string `json:"labels"`         // that are scanned, one a part
	Appraiser  string   `json:"appraiser"`      // nest, person, station
	Appraisers []string `json:"appraisers"`     // names of nests, people; of one station
	Nest       string   `json:"nest,omitempty"` // where one alone is used
	Trials     int      `json:"trials"`
	Seed       uint64   `json:"seed"`
	Quantity   string   `json:"quantity"` // that a trial has to give
}

// The kinds of appraiser.
const (
	byNest    = "nest"
	byPerson  = "person"
	byStation = "station"
)

// trial is one measurement of the plan.
type trial struct {
	part, appraiser int
	round           int // 0 is the first time that every appraiser measures every part
}

// order is all trials: in each round every appraiser measures every part once,
// in an order of its own, so that what drifts is nobody's.
func (p plan) order() (all []trial) {
	r := rand.New(rand.NewPCG(p.Seed, 0))
	for round := range p.Trials {
		from := len(all)
		for part := range p.Parts {
			for a := range p.Appraisers {
				all = append(all, trial{part, a, round})
			}
		}
		one := all[from:]
		r.Shuffle(len(one), func(i, j int) { one[i], one[j] = one[j], one[i] })
	}
	return all
}

// done is a trial that the log has.
type done struct {
	trial
	entry   record.Entry
	attempt *record.Attempt
	value   quantity.Value
}

// match finds what the log has of a plan: the attempts of the study, in their
// order, each the next trial of its part and appraiser. Attempts that gave no
// value, and those that are too many, are none.
func (p plan) match(name string, attempts []record.Entry) (all []done) {
	count := map[[2]int]int{}
	for _, e := range attempts {
		a, ok := e.Body.(*record.Attempt)
		if !ok || a.Run.Purpose != record.InStudy || a.Run.WorkOrder != name {
			continue
		}
		part := slices.Index(p.Parts, a.Run.Serial)
		appraiser := slices.Index(p.Appraisers, p.appraiserOf(a, e.Ref.Station))
		v, ok := valueOf(a, quantity.Name(p.Quantity))
		at := [2]int{part, appraiser}
		if part < 0 || appraiser < 0 || !ok || count[at] == p.Trials {
			continue
		}
		all = append(all, done{trial{part, appraiser, count[at]}, e, a, v})
		count[at]++
	}
	return all
}

func (p plan) appraiserOf(a *record.Attempt, station string) string {
	switch p.Appraiser {
	case byNest:
		return a.Run.Nest
	case byPerson:
		return a.Run.Operator
	}
	return station
}

// left is the order without the trials that are done.
func (p plan) left(have []done) (all []trial) {
	for _, t := range p.order() {
		if !slices.ContainsFunc(have, func(d done) bool { return d.trial == t }) {
			all = append(all, t)
		}
	}
	return all
}

// valueOf is a quantity of an attempt; of one with zones, that of the zone that
// rows of the log keep.
func valueOf(a *record.Attempt, name quantity.Name) (quantity.Value, bool) {
	v, ok := a.Set()[name]
	return v.Value, ok && !math.IsNaN(v.V)
}

// past is what finds a study in a log; a reader and a store that is open have it.
type past interface {
	Records(t store.Topic, term string, each func(record.Entry) error) error
	BySerial(serial string) ([]record.Entry, error)
}

var errNoStudy = errors.New("the log has no such study")

// findPlan finds a study that was begun, and whether its result is on record;
// errNoStudy: none was.
func findPlan(log past, name string) (p plan, concluded bool, err error) {
	found := false
	err = log.Records(store.Kind, record.KindStudy.String(), func(e record.Entry) error {
		s, ok := e.Body.(*record.Study)
		if !ok || s.Name != name {
			return nil
		}
		concluded = concluded || len(s.Attempts) > 0
		if found {
			return nil
		}
		found = true
		if err := json.Unmarshal([]byte(s.Plan), &p); err != nil {
			return fmt.Errorf("the plan of the study %s: %w", name, err)
		}
		return nil
	})
	if err == nil && !found {
		err = errNoStudy
	}
	return p, concluded, err
}

// attemptsOf are the attempts of a plan's parts, in the order of the log.
func attemptsOf(log past, p plan) (all []record.Entry, err error) {
	for _, serial := range p.Parts {
		entries, err := log.BySerial(serial)
		if err != nil {
			return nil, err
		}
		all = append(all, entries...)
	}
	slices.SortStableFunc(all, func(a, b record.Entry) int {
		if a.Ref.Generation != b.Ref.Generation {
			return int(a.Ref.Generation) - int(b.Ref.Generation)
		}
		switch {
		case a.Ref.Sequence < b.Ref.Sequence:
			return -1
		case a.Ref.Sequence > b.Ref.Sequence:
			return 1
		}
		return 0
	})
	return all, nil
}
