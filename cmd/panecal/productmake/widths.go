package productmake

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"

	"example.org/panecal/protocol"
	"example.org/panecal/station/survey"
)

// widths are those of the bins, from the answer of `panecal bins --json`.
type widths struct {
	Schema  string    `json:"schema"`
	Product string    `json:"product"`
	PS      []float64 `json:"bin_widths_ps"`
	UPS     []float64 `json:"bin_widths_u_ps"`
	Faults  []any     `json:"capture_faults"`
}

func readWidths(name string) (*widths, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("reading the widths of bins: %w", err)
	}
	var w widths
	if err := json.Unmarshal(text, &w); err != nil {
		return nil, fmt.Errorf("reading the widths of bins: %s: %w", name, err)
	}
	switch {
	case w.Schema != "panecal.bins/1" || len(w.PS) == 0 || len(w.PS) != len(w.UPS):
		return nil, fmt.Errorf("%s is no answer of `panecal bins --json`", name)
	case len(w.Faults) > 0:
		return nil, fmt.Errorf("%s: its captures are not to be trusted; measure the bins again", name)
	}
	return &w, nil
}

// fits tells what is wrong with widths for a unit.
func (w *widths) fits(id protocol.Identity) error {
	if w.Product != id.Product || len(w.PS) != id.Bins {
		return fmt.Errorf("the widths of bins are of %s with %d bins, the units are %s with %d", w.Product, len(w.PS), id.Product, id.Bins)
	}
	return nil
}

func (w *work) bins(id protocol.Identity, histograms bool) {
	d := w.draft
	if !histograms {
		for _, s := range [...]struct {
			key   string
			value any
		}{{"bins.count", 96}, {"bins.width_ps", 240.0}, {"bins.first_ps", -2880.0}, {"bins.pile_up", "none"}, {"bins.leakage_window_ps", []float64{-1440, 2880}}} {
			d.put(s.key, s.value, standIn)
		}
		return
	}
	a := w.axis
	w.says("bins.count", a.Bins)
	w.says("bins.width_ps", a.BinPS)
	w.says("bins.first_ps", a.FirstPS)
	w.says("bins.pile_up", id.PileUp.String())
	// Whole bins that hold the leakage wherever a unit's zero lies.
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range w.pulse.Returns {
		if r.Target < 0 {
			low, high = min(low, r.PS), max(high, r.PS)
		}
	}
	if math.IsInf(low, 1) {
		low, high = 0, 0
		w.answer.undetermined("bins.leakage_window_ps", "no zone of any unit has leakage that stands out; a window about 0 is assumed")
	}
	from, to := w.pulse.Reach(1e-3)
	margin := 2 * zeroSD / survey.MMPerPS
	window := []float64{a.FirstPS + a.BinPS*math.Floor((low+from-margin-a.FirstPS)/a.BinPS), a.FirstPS + a.BinPS*math.Ceil((high+to+margin-a.FirstPS)/a.BinPS)}
	window[0] = max(window[0], a.FirstPS)
	window[1] = min(window[1], a.FirstPS+a.BinPS*float64(a.Bins))
	w.chosen("bins.leakage_window_ps", window, "whole bins that hold the leakage of units whose zero differs by 10 mm more")
	top := uint32(0)
	for _, s := range w.specimens {
		top = max(top, s.countMax)
	}
	if top > 0 {
		w.says("bins.count_max", int64(top))
	}
	switch {
	case d.says("bins.widths_ps"):
	case w.widths != nil:
		for i, v := range w.widths.PS {
			w.answer.determined("bins.widths_ps."+strconv.Itoa(i), v, w.widths.UPS[i], "ps")
		}
		d.put("bins.widths_ps", w.widths.PS, "even light")
	default:
		w.answer.undetermined("bins.widths_ps", "widths need light that is even in time: measure them by `panecal bins PORT... --json`, then --bins FILE; their scatter is spread.bin_width")
	}
}
