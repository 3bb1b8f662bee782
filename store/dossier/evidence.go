package dossier

import (
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"time"

	"example.org/panecal/station/figure"
	"example.org/panecal/store/query"
)

// Evidence is what the attempt that is reported looks like: its raw light, how it
// stands among its population, and what may be wrong with it. What could not be had
// is null, and Missing says why.
type Evidence struct {
	Histograms []Histogram `json:"histograms"`
	Population *Population `json:"population"`
	Causes     *Causes     `json:"causes"`
	Missing    []string    `json:"missing"`
}

// Histogram is the raw capture of a zone with what was fitted to it.
type Histogram struct {
	Capture string // empty or target
	Zone    int    // from 1, row by row
	figure.Histogram
}

// MarshalJSON gives the counts per shot of each bin.
func (h Histogram) MarshalJSON() ([]byte, error) {
	numbers := func(v []float64) []query.Number {
		out := []query.Number{}
		for _, x := range v {
			out = append(out, query.Number(x))
		}
		return out
	}
	return json.Marshal(struct {
		Capture    string         `json:"capture"`
		Zone       int            `json:"zone"` // from 1
		FirstBinPS float64        `json:"first_bin_ps"`
		BinPS      float64        `json:"bin_ps"`
		Counted    []query.Number `json:"counted"` // counts per shot
		SD         []query.Number `json:"sd"`
		Leakage    []query.Number `json:"leakage"`
		Ambient    []query.Number `json:"ambient"`
		Signal     []query.Number `json:"signal"`
		Notes      []string       `json:"notes"`
	}{h.Capture, h.Zone, h.FirstBinPS, h.BinPS, numbers(h.Counted), numbers(h.SD), numbers(h.Leakage), numbers(h.Ambient), numbers(h.Signal), append([]string{}, h.Notes...)})
}

// Population is how a unit stands among those that were made beside it.
type Population struct {
	Product    string         `json:"product"`
	From       time.Time      `json:"from"`
	Until      time.Time      `json:"until"`
	Groups     []Group        `json:"groups"` // lot, station, nest, week
	Quantities []Standing     `json:"quantities"`
	Units      int            `json:"units"`    // that passed, by which the distance is judged
	Distance   query.Number   `json:"distance"` // robust, in all quantities together
	P          query.Number   `json:"p"`        // share of them that stand as far out
	FalseAlarm query.Number   `json:"false_alarm"`
	Odd        bool           `json:"odd"`
	Used       []Departure    `json:"used"` // the largest first
	LeftOut    []string       `json:"left_out"`
	Attempts   int            `json:"attempts"` // that the median maps are of
	Rows       int            `json:"rows"`
	Cols       int            `json:"cols"`
	Leakage    []query.Number `json:"leakage"` // over the median map
	Signal     []query.Number `json:"signal"`
}

// Group is the units of one lot, station, nest or week.
type Group struct {
	By    string `json:"by"`
	Name  string `json:"name"`
	Units int    `json:"units"`
}

// Standing is one quantity among the groups, in their order.
type Standing struct {
	Name        string         `json:"name"`
	Unit        string         `json:"unit"`
	Value       query.Number   `json:"value"`
	Median      query.Number   `json:"median"`
	Percentiles []query.Number `json:"percentiles"` // 0 to 1
}

// Departure is how far a quantity is from the population, in standard deviations.
type Departure struct {
	Name   string       `json:"name"`
	Sigmas query.Number `json:"sigmas"`
}

// Causes are what may be wrong, the most probable first.
type Causes struct {
	Population int      `json:"population"` // attempts that it is held against
	List       []Cause  `json:"list"`
	ToldApart  bool     `json:"told_apart"`
	Next       *Next    `json:"next"` // the experiment that tells most
	Later      string   `json:"later"`
	Unknown    []string `json:"unknown_findings"`
	Caveat     string   `json:"caveat"`
}

// Cause is one of them with what speaks for and against it.
type Cause struct {
	Code        string       `json:"code"`
	Text        string       `json:"text"`
	Probability float64      `json:"probability"`
	Prior       float64      `json:"prior"`
	Ratio       query.Number `json:"likelihood_ratio"`
	For         []string     `json:"for"`
	Against     []string     `json:"against"`
}

// Next is an experiment with what its ends mean.
type Next struct {
	Action string `json:"action"`
	If     string `json:"if_it_comes_back"`
	Else   string `json:"if_it_stays"`
}

// Reported is the attempt that the report is about, nil where there is none.
func (d *Dossier) Reported() *query.Attempt { return d.reported() }

// drawn is a picture of a histogram with the words beside it.
type drawn struct {
	SVG   template.HTML
	Title string
	Words string
	Notes []string
}

func (e *Evidence) drawn() (list []drawn) {
	if e == nil {
		return nil
	}
	for _, h := range e.Histograms {
		most, at, worst, off := math.Inf(-1), 0, 0.0, 0
		for b, v := range h.Counted {
			if v > most {
				most, at = v, b
			}
			if r := h.Residual(b); math.Abs(r) > math.Abs(worst) {
				worst, off = r, b
			}
		}
		ps := func(b int) float64 { return h.FirstBinPS + (float64(b)+0.5)*h.BinPS }
		list = append(list, drawn{template.HTML(h.SVG()), h.Title,
			fmt.Sprintf("The most is counted at %.0f ps: %.3g counts per shot. The largest residual is %+.1f standard deviations, at %.0f ps.", ps(at), most, worst, ps(off)), h.Notes})
	}
	return list
}

// maps are the zones over the population's median maps.
func (e *Evidence) maps() []figure.ZoneMap {
	if e == nil || e.Population == nil || e.Population.Attempts == 0 || e.Population.Rows*e.Population.Cols < 2 {
		return nil
	}
	p := e.Population
	of := func(name string, v []query.Number) figure.ZoneMap {
		m := figure.ZoneMap{Title: fmt.Sprintf("%s over the median of %d attempts", name, p.Attempts), Unit: "1", Rows: p.Rows, Cols: p.Cols}
		for z := range p.Rows * p.Cols {
			x := math.NaN()
			if z < len(v) {
				x = float64(v[z])
			}
			m.Values = append(m.Values, x)
		}
		return m
	}
	return []figure.ZoneMap{of("leakage", p.Leakage), of("signal", p.Signal)}
}
