package plant

import (
	"errors"
	"fmt"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/label"
)

// What the plant has: the fixture of the sample station sheet, and its lines.
const (
	TargetMM    = 300
	Reflectance = 0.5
	Baud        = 921600
	Turnaround  = 2 * time.Millisecond
	HandTime    = 300 * time.Millisecond // that a hand takes for a move
)

// rounds are the times that patient hands seat a unit again.
const rounds = 10000

// ErrNoProduct: no unit of that product is simulated.
var ErrNoProduct = errors.New("no simulated product")

// NewUnit makes the i-th unit of a product, with a serial as its labels have
// it where the options give none.
func NewUnit(product string, i int, seed uint64, o simunit.Options) (*simunit.Unit, error) {
	var m simunit.Model
	var stem string
	switch product {
	case "hopper-54":
		m, stem = simunit.Hopper54(), fmt.Sprintf("H54-%05d-", 1+i)
	case "hopper-1":
		m, stem = simunit.Hopper1(), fmt.Sprintf("H1-%05d-", 1+i)
	default:
		return nil, fmt.Errorf("%w %q: use hopper-54 or hopper-1", ErrNoProduct, product)
	}
	check, err := label.Mod37_36.Compute(stem)
	if err != nil {
		return nil, fmt.Errorf("making a label: %w", err)
	}
	if o.Serial == "" {
		o.Serial = stem + check
	}
	u, err := simunit.New(m, seed, o)
	if err != nil {
		return nil, fmt.Errorf("making a simulated unit: %w", err)
	}
	return u, nil
}

// putBackTime is how long a unit lies beside its nest.
const putBackTime = 2 * time.Second

// PatientHands serve a unit over and over.
func PatientHands() []simunit.Move { return HandsAt([]float64{TargetMM}) }
