package runner

import (
	"math"

	"example.org/panecal/station"
)

// estimateNow does the work of an estimation job.
func estimateNow(j station.Job) station.Fact {
	switch j := j.(type) {
	case station.EstimateEmpty:
		if j.Histogram != nil {
			l, err := j.By.Empty(*j.Histogram)
			return station.EmptyEstimated{Failure: failureOf(err), Leakage: l}
		}
		l, err := j.By.EmptySummary(*j.Summary)
		return station.EmptyEstimated{Failure: failureOf(err), Leakage: l}
	case station.EstimateTarget:
		f := station.TargetEstimated{}
		var err error
		if j.Histogram != nil {
			f.Offsets, err = j.By.Target(j.Leakage, *j.Histogram, j.Reference, j.Summary)
		} else {
			f.Offsets, err = j.By.TargetSummary(j.Leakage, *j.Summary, j.Reference)
		}
		if err != nil {
			return station.TargetEstimated{Failure: failureOf(err)}
		}
		f.Constants = j.By.Constants(j.Leakage, f.Offsets)
		if s := j.By.Setup(); len(s.WorkingMM) > 0 {
			f.ProjectionMM = worstZones(j.By.Project(f.Constants, j.Leakage, f.Offsets, s.LeakageChangeStated, s.WorkingMM))
		}
		return f
	case station.EstimateVerify:
		v, err := j.By.Verify(j.Constants, j.Histogram, j.Summary, j.Reference, j.Offsets)
		return station.VerifyEstimated{Failure: failureOf(err), Verification: v}
	}
	return failed(j, station.Failure{Trouble: station.Broke, Why: "not an estimation"})
}

// worstZones gives, per distance, the error of the largest magnitude; NaN
// where no zone has one.
func worstZones(perDistance [][]float64) []float64 {
	out := make([]float64, len(perDistance))
	for i, zones := range perDistance {
		out[i] = math.NaN()
		for _, v := range zones {
			if !math.IsNaN(v) && !(math.Abs(v) <= math.Abs(out[i])) {
				out[i] = v
			}
		}
	}
	return out
}
