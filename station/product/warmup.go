package product

import (
	"fmt"
	"time"
)

// WarmUp says how long a unit waits for its temperature to settle.
type WarmUp struct {
	CelPerMin float64       // that its temperature may change by; 0: nothing waits
	Within    time.Duration // then it is captured all the same
}

type warmUpTable struct {
	CelPerMin float64 `toml:"cel_per_min" need:"add cel_per_min = 0.5, what the temperature may change by"`
	WithinS   float64 `toml:"within_s" need:"add within_s = 120, how long a unit waits for that"`
}

func (r reader) warmUp(t *warmUpTable) WarmUp {
	if t == nil {
		return WarmUp{}
	}
	if !(t.CelPerMin > 0) {
		r.d.Report(fmt.Sprintf("a slope of %v Cel a minute", t.CelPerMin), "write a number above 0, or take [warm_up] out", "warm_up", "cel_per_min")
	}
	if !(t.WithinS >= 1 && t.WithinS <= 3600) {
		r.d.Report(fmt.Sprintf("a wait of %v s", t.WithinS), "write 1 to 3600", "warm_up", "within_s")
	}
	return WarmUp{CelPerMin: t.CelPerMin, Within: time.Duration(t.WithinS * float64(time.Second))}
}
