package productmake

import (
	"fmt"
	"slices"
	"strings"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
	"example.org/panecal/station/survey"
)

// work makes a product file from specimens and documents.
type work struct {
	specimens []specimen
	docs      map[string]any
	datumU    float64 // of the documents' datum, mm
	limits    string  // name of the limits file, "" for none
	widths    *widths // of the bins, as even light tells them
	baud      int

	answer answer
	draft  *draft
	axis   survey.Axis
	units  []survey.Unit
	pulse  *survey.Pulse
	grid   *estimate.Grid // as found, nil before
	bases  []survey.Base
	sets   []quantity.Set
}

// standIn marks in the file what nobody has told.
const standIn = "NOT DETERMINED: a stand-in, see the documents"

func (w *work) run() (text []byte, err error) {
	first := w.specimens[0].id
	w.draft = newDraft(w.docs)
	w.answer = answer{Schema: makeSchema, Product: first.Product, Units: []measured{}, Found: []found{}, Stated: []stated{}, Missing: []missing{}, Dark: []dark{}, Faults: []unitFault{}}
	for _, s := range w.specimens {
		if what := unlike(first, s.id); what != "" {
			return nil, fmt.Errorf("unit %s has another %s than %s: measure units of one product", s.label, what, w.specimens[0].label)
		}
		m := measured{Label: s.label, Firmware: s.id.Firmware, DistancesMM: []float64{}}
		for _, l := range s.lines {
			m.DistancesMM = append(m.DistancesMM, l.DistanceMM)
		}
		w.answer.Units = append(w.answer.Units, m)
	}
	histograms := first.Kinds.Has(protocol.Histograms)
	w.identity(first, histograms)
	w.captures()
	if histograms {
		if err := w.shape(first); err != nil {
			return nil, err
		}
	} else {
		w.noShape(first)
	}
	w.bins(first, histograms)
	w.ranging(first, histograms)
	w.spread()
	w.table()
	w.draft.rest()
	w.sources()
	name := first.Product + ".product.toml"
	head := w.head()
	text = w.draft.bytes(head)
	p, err := product.Read(name, text)
	if err != nil {
		return nil, fmt.Errorf("the product file that was made cannot be used; what documents say does not fit it:\n%w", err)
	}
	if err := w.measure(p, histograms); err != nil {
		return nil, err
	}
	w.change()
	text = w.draft.bytes(head)
	if p, err = product.Read(name, text); err != nil {
		return nil, fmt.Errorf("the product file that was made cannot be used:\n%w", err)
	}
	if err := w.measure(p, histograms); err != nil {
		return nil, err
	}
	w.base(histograms)
	return text, nil
}

// unlike says in what two units of a product differ.
func unlike(a, b protocol.Identity) string {
	for _, c := range []struct {
		what string
		same bool
	}{
		{"product", a.Product == b.Product}, {"grid", a.Rows == b.Rows && a.Cols == b.Cols}, {"number of bins", a.Bins == b.Bins},
		{"bin width", a.BinFS == b.BinFS && a.FirstBinFS == b.FirstBinFS}, {"kind of pile-up", a.PileUp == b.PileUp}, {"set of capture kinds", a.Kinds == b.Kinds},
	} {
		if !c.same {
			return c.what
		}
	}
	return ""
}

func (w *work) head() []string {
	return []string{fmt.Sprintf("The product %s, made from %d units and documents. Each number says where it", w.answer.Product, len(w.specimens)),
		"comes from: u is its standard uncertainty. Check it, complete it, release it."}
}

// says puts a value that units say of themselves.
func (w *work) says(key string, value any) { w.draft.put(key, value, "the units") }

// chosen puts a value that anything but a measurement decides.
func (w *work) chosen(key string, value any, why string) {
	if why == "" {
		w.draft.put(key, value, "chosen")
		return
	}
	w.draft.put(key, value, "chosen: "+why)
}

// wanting puts a stand-in for what only documents can tell.
func (w *work) wanting(key string, value any, why string) {
	if w.draft.says(key) {
		w.draft.put(key, value, "")
		return
	}
	w.draft.set(key, value, standIn)
	w.answer.undetermined(key, "%s", why)
}

func (w *work) identity(id protocol.Identity, histograms bool) {
	w.says("name", id.Product)
	if w.limits != "" {
		w.chosen("limits", w.limits, "beside this file")
	}
	var firmware []string
	for _, s := range w.specimens {
		if !slices.Contains(firmware, s.id.Firmware) {
			firmware = append(firmware, s.id.Firmware)
		}
	}
	w.says("firmware", firmware)
	reports := product.ReportsSummary
	if histograms {
		reports = product.ReportsHistograms
	}
	w.says("reports", reports)
	w.chosen("measure_after_failure", true, "the rest of a failed unit is of use")
	if !id.CompensationOff && !histograms {
		w.says("compensation_always_on", true)
	}
	w.chosen("release.author", "product make", "write who answers for it")
	w.chosen("release.reason", "first file of the product", "write why")
	w.chosen("line.baud", w.baud, "as the units were spoken to")
	w.wanting("label.pattern", "", "what a label of this product looks like stands in its drawing: label.pattern, label.check; \"\" takes any")
	w.draft.put("label.check", string(label.NoCheck), "")
	if !w.draft.says("label.check") {
		w.draft.set("label.check", string(label.NoCheck), standIn)
	}
	tie := product.TieFirst
	if id.Serial != "" {
		tie = product.TieUnit
	}
	w.says("label.tie", tie)
	w.chosen("retest.max_attempts", 3, "testing until it passes releases bad units")
	w.chosen("retest.after_pass", true, "")
}

// captures are as long as those that the numbers come from.
func (w *work) captures() {
	s := w.specimens[0].empty
	shots, frames := int64(1_000_000), 10
	if h := s.histogram; h != nil {
		shots, frames = h.Shots, max(len(h.FrameTotals), 1)
	} else if s.summary != nil {
		shots = s.summary.Shots
	}
	for _, c := range [...]string{"empty", "target", "verify"} {
		w.chosen("capture."+c+".shots", shots/int64(frames), "in each frame, as measured here")
		w.chosen("capture."+c+".frames", frames, "")
	}
}

// sources lists what was not measured.
func (w *work) sources() {
	for _, k := range w.draft.keys {
		why := w.draft.why[k]
		switch {
		case why == "documents", why == "the units", strings.HasPrefix(why, "chosen"):
			w.answer.Stated = append(w.answer.Stated, stated{k, w.draft.text[k], why})
		}
	}
}
