package productmake

import (
	"fmt"
	"io"
	"math"

	"example.org/panecal/limits/visible"
)

// answer is what `product make` prints.
type answer struct {
	Schema  string      `json:"schema"`
	Product string      `json:"product"`
	Units   []measured  `json:"units"`
	Found   []found     `json:"determined"`
	Stated  []stated    `json:"stated"`
	Missing []missing   `json:"undetermined"`
	Dark    []dark      `json:"dark_zones"`
	Shapes  *shapes     `json:"pulse,omitempty"`
	Faults  []unitFault `json:"capture_faults"`
	File    string      `json:"file"`
	Limits  string      `json:"limits_file,omitempty"`
}

const makeSchema = "panecal.product_make/1"

type measured struct {
	Label       string    `json:"label"`
	Firmware    string    `json:"firmware"`
	DistancesMM []float64 `json:"distances_mm"`
}

// found is a number that the units tell: a key of the product file, or a
// quantity that limits name.
type found struct {
	Key   string  `json:"key"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Unit  string  `json:"unit"`
	// Of a number that differs from unit to unit.
	Spread *spread `json:"spread,omitempty"`
}

// spread is from unit to unit; the interval holds the standard deviation of all
// units with 95 %, for a normal population.
type spread struct {
	Units int     `json:"units"`
	SD    float64 `json:"sd"`
	U     float64 `json:"u"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// stated is what units say of themselves, documents say, or was chosen.
type stated struct {
	Key    string `json:"key"`
	Value  string `json:"value"`
	Source string `json:"source"`
}

type missing struct {
	Key string `json:"key"`
	Why string `json:"why"`
}

type dark struct {
	Label string `json:"label"`
	Zones []int  `json:"zones"`
}

// shapes are leakage and target apart.
type shapes struct {
	FWHMPS     float64 `json:"fwhm_ps"`
	LeakagePS  float64 `json:"leakage_added_ps"` // sd that its paths add
	LeakagePSU float64 `json:"leakage_added_u_ps"`
	LateShare  float64 `json:"target_late_share"` // 0.4 to 2 ns late
	LateShareU float64 `json:"target_late_share_u"`
	OriginUPS  float64 `json:"origin_u_ps"` // of the highest point, which is at 0
	Smoothing  string  `json:"smoothing"`
	Freedom    float64 `json:"freedom"` // degrees of freedom that it leaves
}

type unitFault struct {
	Label   string `json:"label"`
	Capture string `json:"capture"`
	Code    string `json:"code"`
	Zones   []int  `json:"zones"`
}

func (a *answer) determined(key string, value, u float64, unit string) {
	a.Found = append(a.Found, found{Key: key, Value: value, U: u, Unit: unit})
}

func (a *answer) undetermined(key, format string, args ...any) {
	a.Missing = append(a.Missing, missing{key, fmt.Sprintf(format, args...)})
}

func (a *answer) writeText(w io.Writer) error {
	var err error
	say := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(w, format, args...)
		}
	}
	say("%s from %d units\n\ndetermined\n", visible.Text(a.Product), len(a.Units))
	many := map[string]int{}
	for _, f := range a.Found {
		table := tableOf(f.Key)
		if many[table]++; table != "" && many[table] > 1 {
			continue // a number of a table: the first stands for them
		}
		say("  %-26s %12.6g  u %-10.3g %s", f.Key, f.Value, f.U, f.Unit)
		if s := f.Spread; s != nil {
			say("  sd %.3g (%.3g to %.3g, %d units)", s.SD, s.Low, s.High, s.Units)
		}
		say("\n")
	}
	for _, f := range a.Found {
		if table := tableOf(f.Key); table != "" && many[table] > 1 {
			say("  %s: %d numbers, each with its u by --json\n", table, many[table])
			many[table] = 0
		}
	}
	say("\nstated by units or documents, or chosen\n")
	for _, s := range a.Stated {
		say("  %-26s %s (%s)\n", s.Key, visible.Text(s.Value), s.Source)
	}
	if len(a.Missing) > 0 {
		say("\nundetermined\n")
	}
	for _, m := range a.Missing {
		say("  %-26s %s\n", m.Key, m.Why)
	}
	for _, d := range a.Dark {
		say("\n%s: zones that see no light of its own: %v\n", visible.Text(d.Label), d.Zones)
	}
	for _, f := range a.Faults {
		say("\nFAULT %s: %s capture: %s, zones %v\n", visible.Text(f.Label), f.Capture, f.Code, f.Zones)
	}
	say("\nwritten: %s\n", visible.Text(a.File))
	if a.Limits != "" {
		say("written: %s (screening limits)\n", visible.Text(a.Limits))
	}
	return err
}

// tableOf is the table that a numbered key belongs to, "" for others.
func tableOf(key string) string {
	for i := len(key) - 1; i > 0; i-- {
		if key[i] == '.' && i < len(key)-1 {
			return key[:i]
		}
		if key[i] < '0' || key[i] > '9' {
			break
		}
	}
	return ""
}

// finite is v, or 0 for what JSON cannot say.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}
