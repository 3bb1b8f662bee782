package history

import (
	"bufio"
	"encoding/json"
	"io"
	"math"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/record"
)

// TruthSchema names a line of the truth.
const TruthSchema = "panecal.truth/1"

// truthLine is what was true in one attempt.
type truthLine struct {
	Schema   string                      `json:"schema"`
	Sequence uint64                      `json:"sequence"` // of the attempt's record
	Serial   string                      `json:"serial"`
	Attempt  int                         `json:"attempt"`
	Time     time.Time                   `json:"time"`
	Purpose  record.Purpose              `json:"purpose"`
	Product  string                      `json:"product"`
	Nest     string                      `json:"nest"`
	Causes   []Cause                     `json:"causes"` // what was planted
	True     map[quantity.Name]trueValue `json:"true"`
	NestMM   float64                     `json:"nest_error_mm"` // how far the nest's target stands from where the station takes it to be
	Photons  bool                        `json:"photons"`       // simulated down to its photons
}

// trueValue is the true value of a quantity; of one with zones also the largest
// and the smallest.
type trueValue struct {
	Value float64  `json:"value"`
	High  *float64 `json:"high,omitempty"`
	Low   *float64 `json:"low,omitempty"`
}

// truth writes lines; nil writes none.
type truth struct{ out *bufio.Writer }

func newTruth(w io.Writer) *truth {
	if w == nil {
		return nil
	}
	return &truth{bufio.NewWriterSize(w, 1<<16)}
}

func (t *truth) flush() error {
	if t == nil {
		return nil
	}
	return t.out.Flush()
}

func (l *line) tell(a *attempt, rec *record.Attempt, ref record.Ref, of quantity.Set) error {
	s := &l.summary
	s.count(rec)
	if l.truth == nil {
		return nil
	}
	t := truthLine{Schema: TruthSchema, Sequence: ref.Sequence, Serial: a.u.serial, Attempt: rec.Run.AttemptNo, Time: rec.Finished.Add(written), Purpose: a.purpose,
		Product: a.u.of.product, Nest: rec.Run.Nest, Causes: append(append([]Cause{}, a.u.causes...), a.scene.causes...), True: make(map[quantity.Name]trueValue, len(of)), Photons: a.real != nil}
	if a.real != nil {
		t.NestMM = -a.real.unit.Truth().DistanceErrorMM
	} else {
		t.NestMM = a.scene.shiftMM + a.scene.common[quantity.OffsetMean]*common(a.u.of)
	}
	for n, m := range of {
		if math.IsNaN(m.V) {
			continue
		}
		v := trueValue{Value: m.V}
		if m.Zones != nil {
			high, low := m.High(0), m.Low(0)
			v.High, v.Low = &high, &low
		}
		t.True[n] = v
	}
	line, err := json.Marshal(t)
	if err != nil {
		return err
	}
	_, err = l.truth.out.Write(append(line, '\n'))
	return err
}

// common is the common uncertainty of offsets in the population.
func common(p *population) float64 {
	for _, s := range p.spreads {
		if s.name == quantity.OffsetMean {
			return s.common
		}
	}
	return 0
}
