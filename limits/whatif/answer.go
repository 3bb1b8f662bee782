package whatif

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Schema names the JSON form of Answer.
const Schema = "panecal.try/1"

// Number is one that may not be known: it is null in JSON where it is NaN.
type Number float64

// MarshalJSON writes the number, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if f := float64(n); math.IsNaN(f) || math.IsInf(f, 0) {
		return []byte("null"), nil
	}
	return fmt.Appendf(nil, "%.17g", float64(n)), nil
}

// Share is a share with its bounds.
type Share struct {
	Value Number `json:"value"`
	Lower Number `json:"lower"`
	Upper Number `json:"upper"`
}

// Answer is what a trial found.
type Answer struct {
	Schema   string `json:"schema"`
	Product  string `json:"product"`
	Limits   string `json:"limits"` // revision of the file tried
	Attempts int    `json:"attempts"`
	First    int    `json:"first"`   // first attempts of production with a verdict
	Unknown  int    `json:"unknown"` // of these, whose verdict needs what was never measured
	Before   Yield  `json:"before"`
	After    Yield  `json:"after"`

	Changed     []Change `json:"changed"`
	FalseAccept Share    `json:"false_accept"` // of all units, under the file tried
	FalseReject Share    `json:"false_reject"`
	WorstNest   string   `json:"worst_nest"` // with the largest sum of the two
	Risks       []Risk   `json:"risks"`      // of each limit alone
	Guards      []Guard  `json:"guards"`     // with guard factors 0, 1, 2 where the file has any
	Sample      int      `json:"sample"`     // records whose zone values were read
	Whole       bool     `json:"whole"`      // every record was read, for a guard factor that rows do not keep
}

// Yield is what attempts came to.
type Yield struct {
	FirstPass Share `json:"first_pass"` // station first-pass yield: first attempts of production that passed
	Bins      []Bin `json:"bins"`       // by number
}

// Bin is how many attempts a soft bin holds.
type Bin struct {
	SoftBin int    `json:"soft_bin"`
	Name    string `json:"name"`
	Count   int    `json:"count"`
}

// Change is a unit that would have gone to another bin.
type Change struct {
	Serial   string `json:"serial"`
	Attempt  int    `json:"attempt"`
	From     int    `json:"from"`
	To       int    `json:"to"`
	FromName string `json:"from_name"`
	ToName   string `json:"to_name"`
	Sequence int64  `json:"sequence"`
}

// Guard is what another guard factor would do.
type Guard struct {
	K           int   `json:"k"`
	FirstPass   Share `json:"first_pass"`
	FalseAccept Share `json:"false_accept"`
	FalseReject Share `json:"false_reject"`
}

// Answer works out what was found, with the zone values of a sample of the
// attempts, which may be empty.
func (t *Trial) Answer(sample []Unit) (Answer, error) {
	a := Answer{Schema: Schema, Product: t.file.Product, Limits: t.file.Revision, Attempts: t.attempts, Changed: t.changes}
	a.First, a.Sample = t.first.of, len(sample)
	if a.Changed == nil {
		a.Changed = []Change{}
	}
	for k, n := range t.before {
		a.Before.Bins = append(a.Before.Bins, Bin{k.bin, k.name, n})
	}
	for place, n := range t.after {
		b := Bin{Count: n}
		if place < 0 {
			b.SoftBin = -1 - place
			b.Name = t.names[b.SoftBin]
		} else {
			b.SoftBin, b.Name = t.bins[place].Number, t.bins[place].Name
		}
		// What kept its bin and what was judged into it are one.
		if i := slices.IndexFunc(a.After.Bins, func(c Bin) bool { return c.SoftBin == b.SoftBin }); i >= 0 {
			a.After.Bins[i].Count += n
			continue
		}
		a.After.Bins = append(a.After.Bins, b)
	}
	for _, list := range []*[]Bin{&a.Before.Bins, &a.After.Bins} {
		slices.SortFunc(*list, func(x, y Bin) int { return cmp.Or(cmp.Compare(x.SoftBin, y.SoftBin), cmp.Compare(x.Name, y.Name)) })
		if *list == nil {
			*list = []Bin{}
		}
	}
	v := Number(ratio(t.first.passed, t.first.of))
	a.Before.FirstPass = Share{v, v, v}
	after := t.measured
	after.of = t.first.of
	a.Unknown = after.unknown
	a.After.FirstPass = after.share()
	t.risks(&a, sample)
	return a, nil
}

// share is a yield of which some is not known.
func (c counts) share() Share {
	known := ratio(c.passed, c.of-c.unknown)
	if c.of == c.unknown {
		known = 0.5
	}
	return Share{Number(ratio(c.passed, c.of) + known*ratio(c.unknown, c.of)), Number(ratio(c.passed, c.of)), Number(ratio(c.passed+c.unknown, c.of))}
}

func ratio(a, b int) float64 {
	if b == 0 {
		return math.NaN()
	}
	return float64(a) / float64(b)
}
