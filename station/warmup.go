package station

import (
	"math"
	"time"

	"example.org/panecal/store/record"
)

// warmEvery is the time between two looks at a temperature that a slope is taken
// from: units tell a thousandth of a kelvin, and sensors are worth some hundredths.
const warmEvery = 10 * time.Second

// warming is how the unit's temperature has settled.
type warming struct {
	cel  float64 // at the last look, NaN before the first
	at   time.Time
	done *record.WarmUp // nil: not asked for, or not over
}

// beginMeasuring waits until the unit's temperature has settled, where the product
// asks for that, and then begins with the empty field.
func (m *Machine) beginMeasuring(n *nest) {
	if n.files.Product.WarmUp.CelPerMin == 0 {
		m.beginEmpty(n)
		return
	}
	m.enter(n, Warming)
	n.att.warming = warming{cel: math.NaN()}
	m.ask(n, Report{})
}

// warmed takes a look at the temperature. What has not settled in the product's time
// is captured all the same, and the record says so.
func (m *Machine) warmed(n *nest, f Fact) {
	rule, w := n.files.Product.WarmUp, &n.att.warming
	cel := float64(f.(Reported).Status.TempMilliCel) / 1000
	slope := (cel - w.cel) / m.now.Sub(w.at).Minutes()
	took := m.now.Sub(n.since)
	settled := math.Abs(slope) <= rule.CelPerMin
	if settled || took >= rule.Within {
		w.done = &record.WarmUp{CelPerMin: slope, Seconds: took.Seconds(), Settled: settled}
		m.beginEmpty(n)
		return
	}
	w.cel, w.at = cel, m.now
	m.sleep(n, min(warmEvery, rule.Within))
}

func (m *Machine) lookAtWarmth(n *nest) { m.ask(n, Report{}) }
