package productmake

import (
	"encoding/json"
	"fmt"
	"os"

	"example.org/panecal/protocol"
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
