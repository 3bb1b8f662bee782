package plant

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/product"
)

// Kind is a product whose units are simulated: one of the demonstration's, or
// that of a product file.
type Kind struct {
	Name string
	file *product.Product
}

// builtIn are the demonstration's products.
var builtIn = [...]string{"hopper-54", "hopper-1"}

// KindOf finds a product by its name, or reads its file.
func KindOf(nameOrFile string) (Kind, error) {
	if slices.Contains(builtIn[:], nameOrFile) {
		return Kind{Name: nameOrFile}, nil
	}
	text, err := os.ReadFile(nameOrFile)
	if err != nil {
		if !strings.ContainsAny(nameOrFile, `./\`) {
			err = ErrNoProduct
		}
		return Kind{}, fmt.Errorf("%w %q: use hopper-54, hopper-1, or a product file", err, nameOrFile)
	}
	p, err := product.Read(filepath.Base(nameOrFile), text)
	if err != nil {
		return Kind{}, fmt.Errorf("the product file cannot be used:\n%w", err)
	}
	return Kind{Name: p.Name, file: p}, nil
}

// Unit makes the i-th unit.
func (k Kind) Unit(i int, seed uint64, o simunit.Options) (*simunit.Unit, error) {
	if k.file == nil {
		return NewUnit(k.Name, i, seed, o)
	}
	return NewUnitOf(k.file, i, seed, o)
}

// DistanceUMM is the standard uncertainty of the simulated target's distance.
const DistanceUMM = 0.15

// HandsAt serve a unit over and over: the target comes to each distance in turn.
func HandsAt(distancesMM []float64) []simunit.Move {
	var round []simunit.Move
	for i, mm := range distancesMM {
		on := simunit.Captured
		if i == 0 {
			on = simunit.Emptied
		}
		round = append(round, simunit.Move{On: on, After: HandTime, Do: simunit.PlaceTarget, TargetMM: mm, Reflect: Reflectance})
	}
	round = append(round, simunit.Move{On: simunit.Done, After: HandTime, Do: simunit.TakeOut},
		simunit.Move{On: simunit.Lifted, Do: simunit.ClearField},
		simunit.Move{On: simunit.Lifted, After: putBackTime, Do: simunit.PutBack})
	var all []simunit.Move
	for range rounds {
		all = append(all, round...)
	}
	return all
}
