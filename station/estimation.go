package station

import (
	"math"
)

// estimateNow does the work of an estimation job.
func estimateNow(j Job) Fact {
	switch j := j.(type) {
	case EstimateEmpty:
		if j.Histogram != nil {
			l, err := j.By.Empty(*j.Histogram)
			return EmptyEstimated{failureOf(err), l}
		}
		l, err := j.By.EmptySummary(*j.Summary)
		return EmptyEstimated{failureOf(err), l}
	case EstimateTarget:
		f := TargetEstimated{}
		var err error
		if j.Histogram != nil {
			f.Offsets, err = j.By.Target(j.Leakage, *j.Histogram, j.Reference, j.Summary)
		} else {
			f.Offsets, err = j.By.TargetSummary(j.Leakage, *j.Summary, j.Reference)
		}
		if err != nil {
			return TargetEstimated{Failure: failureOf(err)}
		}
		f.Constants = j.By.Constants(j.Leakage, f.Offsets)
		if s := j.By.Setup(); len(s.WorkingMM) > 0 {
			f.ProjectionMM = worstZones(j.By.Project(f.Constants, j.Leakage, f.Offsets, s.LeakageChangeStated, s.WorkingMM))
		}
		return f
	case EstimateVerify:
		v, err := j.By.Verify(j.Constants, j.Histogram, j.Summary, j.Reference, j.Offsets)
		return VerifyEstimated{failureOf(err), v}
	}
	return failed(j, Failure{Broke, "not an estimation"})
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
