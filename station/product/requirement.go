package product

import (
	"fmt"
	"strconv"

	"example.org/panecal/station/estimate"
)

// requirement checks what the product promises of its range; nil where it
// promises nothing.
func (r reader) requirement(t *productTable) *estimate.Requirement {
	q := t.Requirement
	if q == nil {
		return nil
	}
	r.positive(q.AllowanceMM, "requirement", "allowance_mm")
	if q.Shots < 1 || q.Shots > estimate.MaxShots {
		r.d.Report(fmt.Sprintf("%d shots a frame", q.Shots), "write how many pulses one range in use takes", "requirement", "shots")
	}
	for _, v := range []struct {
		of  float64
		key string
	}{{q.K, "k"}, {q.ChangeU, "change_u"}, {q.Added, "added"}, {q.LeakageUMM, "leakage_u_mm"}, {q.Signal, "signal"}} {
		if v.of < 0 {
			r.d.Report(v.key+" is negative", "write 0 or more", "requirement", v.key)
		}
	}
	if len(q.Reflectance) == 0 {
		r.d.Report("no reflectance", "write what the product looks at, such as reflectance = [0.1, 0.5]", "requirement", "reflectance")
	}
	for i, v := range q.Reflectance {
		if !(v > 0 && v <= 1) {
			r.d.Report(fmt.Sprintf("a reflectance of %v", v), "write a share, such as 0.5 for 50 %", "requirement", "reflectance", strconv.Itoa(i))
		}
	}
	if len(q.Ambient) == 0 {
		r.d.Report("no ambient light", "write counts per shot and bin, such as ambient = [0, 0.0005]", "requirement", "ambient")
	}
	for i, v := range q.Ambient {
		if v < 0 {
			r.d.Report(fmt.Sprintf("an ambient light of %v", v), "write counts per shot and bin, 0 or more", "requirement", "ambient", strconv.Itoa(i))
		}
	}
	if change := q.Dirt + q.Temperature + q.Age; change < -1 {
		r.d.Report("leakage cannot fall by more than all of it", "write dirt = 0.2 for a fifth more", "requirement", "dirt")
	}
	if q.AmbientBins < 0 || q.AmbientBins >= max(t.Bins.Count, 1) {
		r.d.Report(fmt.Sprintf("ambient light from %d of %d bins", q.AmbientBins, t.Bins.Count), "write how many of the last bins the unit takes, 0 if it knows its ambient light otherwise", "requirement", "ambient_bins")
	}
	return &estimate.Requirement{
		AllowanceMM: q.AllowanceMM, K: q.K, Shots: q.Shots, Reflectance: q.Reflectance, Ambient: q.Ambient,
		Change: q.Dirt + q.Temperature + q.Age, ChangeU: q.ChangeU, Added: q.Added, AmbientBins: q.AmbientBins,
		LeakageMM: q.LeakageMM, LeakageUMM: q.LeakageUMM, Signal: q.Signal,
		CalibrationShots: t.Capture.Empty.Shots * int64(t.Capture.Empty.Frames),
	}
}
