package productmake

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
)

// Screening limits: tolerance bounds of a normal population.
const (
	coverage   = 0.99
	confidence = 0.95
)

// guard is the guard factor of a quantity's first limits: 0 where its own
// uncertainty does not decide.
func guard(n quantity.Name) int {
	switch n {
	case quantity.Temperature, quantity.ZonesDead, quantity.ZonesHot:
		return 0
	}
	return 2
}

// sides are the quantities that first limits bound, and where.
var sides = map[quantity.Name]struct{ low, high bool }{
	quantity.SignalMin: {low: true}, quantity.SignalRatio: {low: true},
	quantity.LeakageMax: {high: true}, quantity.LeakageTotal: {high: true}, quantity.LeakageXBalance: {true, true}, quantity.LeakageYBalance: {true, true},
	quantity.PulseWidth: {true, true}, quantity.AmbientMax: {high: true}, quantity.OffsetMean: {true, true}, quantity.OffsetSpread: {high: true},
	quantity.SeatTilt: {high: true}, quantity.Temperature: {true, true}, quantity.ZonesDead: {high: true}, quantity.ZonesHot: {high: true},
}

// limitsText is the first limits file: what is usual among the units measured.
func (w *work) limitsText() ([]byte, error) {
	var b strings.Builder
	fmt.Fprintf(&b, `# Screening limits for %[1]s, from %[2]d units: tolerance bounds of a normal
# population, coverage %[3]g, confidence %[4]g. They tell which units are unusual, and
# nothing of what the product needs: `+"`panecal limits propose requirement`"+` does.
# Values are those before a target at the first distance of each unit's list.

product = %[5]q
zones = %[6]d

[release]
author = "product make"
reason = "screening limits"
`, w.answer.Product, len(w.sets), coverage, confidence, w.answer.Product, w.specimens[0].id.Zones())
	limited := 0
	for _, base := range w.bases {
		side, ok := sides[base.Name]
		if !ok {
			continue
		}
		k := float64(guard(base.Name))
		var low, high []float64
		for _, s := range w.sets {
			m, ok := s[base.Name]
			if !ok {
				continue
			}
			low, high = append(low, m.Low(k)), append(high, m.High(k))
		}
		n := 1
		if side.low && side.high {
			n = 2
		}
		lowest, lowOK := bound(low, false, n)
		highest, highOK := bound(high, true, n)
		side.low, side.high = side.low && lowOK, side.high && highOK
		if !side.low && !side.high {
			continue
		}
		limited++
		d, _ := quantity.Lookup(base.Name)
		fmt.Fprintf(&b, "\n[limit.%q]\nunit = %q\n", string(base.Name), d.Unit)
		if side.low {
			fmt.Fprintf(&b, "low = %s\nlow_bin = \"unusual\"\n", digits(lowest))
		}
		if side.high {
			fmt.Fprintf(&b, "high = %s\nhigh_bin = \"unusual\"\n", digits(highest))
		}
		fmt.Fprintf(&b, "k = %g\ntypical = %s\n", k, digits(base.Mean))
		for _, t := range []struct {
			key string
			v   float64
		}{{"typical_u", base.MeasuredU}, {"typical_sd", base.SD}, {"typical_zone_sd", base.ZoneSD}} {
			if !math.IsNaN(t.v) {
				fmt.Fprintf(&b, "%s = %s\n", t.key, digits(t.v))
			}
		}
	}
	if limited == 0 {
		return nil, fmt.Errorf("first limits need two units: one does not tell what is usual")
	}
	b.WriteString(`
[bin.unusual]
number = 10
code = "UNUSUAL"
hard = "hold"
disposition = "hold"
priority = 1
instruction = "Put the unit in the hold box: it is unusual."

[bin.unusual.de]
instruction = "Gerät in die Sperrbox legen: Es ist ungewöhnlich."

[bin.unusual.es]
instruction = "Ponga la unidad en la caja de retenidas: es inusual."

[hard_bin.release]
number = 1
text = "belt"

[hard_bin.release.de]
text = "Band"

[hard_bin.release.es]
text = "cinta"

[hard_bin.hold]
number = 3
text = "hold box"

[hard_bin.hold.de]
text = "Sperrbox"

[hard_bin.hold.es]
text = "caja de retenidas"
`)
	text := []byte(b.String())
	if _, err := limits.Read(w.limits, text); err != nil {
		return nil, fmt.Errorf("the limits file that was made cannot be used:\n%w", err)
	}
	return text, nil
}

// bound is a tolerance bound of what the station compares, one value a unit.
func bound(values []float64, upper bool, sides int) (float64, bool) {
	if len(values) < 2 {
		return 0, false
	}
	s, err := study.Screen(study.NewSample(values), upper, study.ScreeningOptions{Coverage: coverage, Confidence: confidence, Multiplier: 4, Sides: sides})
	if err != nil {
		return 0, false
	}
	v := float64(s.Normal)
	if float64(s.SD) == 0 { // all alike, as counts of zones
		v = float64(s.Mean)
	}
	return v, !math.IsNaN(v) && !math.IsInf(v, 0)
}

func digits(v float64) string { return strconv.FormatFloat(v, 'g', 5, 64) }
