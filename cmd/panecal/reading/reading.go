// Package reading explains what a scanner sent in one go: byte by byte, what a
// station would make of it, and what is odd about it. It decides nothing that
// the station does not decide by the same code: the operator's screen makes
// text of bytes, and the products' label rules make a serial of text.
package reading

import (
	"fmt"
	"io"
	"strings"
	"time"

	"example.org/panecal/station/label"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/screen"
)

// schema names the form of one line of `panecal scan --json`.
const schema = "panecal.scan/1"

// Reading is one scan as it is told, also as JSON: its bytes, the time between
// them, and what a station makes of it.
type Reading struct {
	Schema  string          `json:"schema"`
	Scan    int             `json:"scan"`
	Hex     string          `json:"hex"`
	GapsMS  []float64       `json:"gaps_ms"`
	TookMS  float64         `json:"took_ms"`
	Prefix  string          `json:"prefix"`
	Text    string          `json:"text"`
	Suffix  string          `json:"suffix"`
	Usable  bool            `json:"usable"`
	Serial  string          `json:"serial"`
	Lot     string          `json:"lot"`
	Part    string          `json:"part"`
	Product string          `json:"product"` // whose label it is, "" where none is known
	Remarks []screen.Remark `json:"remarks"`

	heard screen.Heard
}

// Of explains the n-th scan, by the label rules of a station's products where
// there are any.
func Of(n int, h screen.Heard, all papers.Catalogue) Reading {
	s := Reading{Schema: schema, Scan: n, heard: h, Hex: fmt.Sprintf("% X", h.Bytes), TookMS: milliseconds(h.Took()), GapsMS: []float64{},
		Prefix: label.Show(string(h.Prefix())), Text: label.Show(string(h.Text())), Suffix: label.Show(string(h.Suffix())),
		Remarks: append([]screen.Remark{}, h.Remarks...)}
	for _, g := range h.Gaps {
		s.GapsMS = append(s.GapsMS, milliseconds(g))
	}
	fault := func(text, mend string) {
		s.Remarks = append(s.Remarks, screen.Remark{Fault: true, Text: text, Mend: mend})
	}
	switch {
	case len(h.Entries) == 1 && h.Entries[0].Key != screen.NoKey:
		s.Remarks = append(s.Remarks, screen.Remark{Text: "a key pressed alone: go on"})
		s.Usable = true
		return s
	case len(h.Entries) == 0:
		fault("the screen takes this for keys, or for too little to be a scan without a suffix", "set the scanner's suffix to CR")
	case len(h.Entries) > 1:
		fault(fmt.Sprintf("the screen takes this for %d entries", len(h.Entries)), "let the scanner send one suffix, at the end")
	case h.Entries[0].Fault.Kind == screen.NoFault:
		s.read(h.Entries[0].Text, all, fault)
	}
	s.Usable = true
	for _, r := range s.Remarks {
		s.Usable = s.Usable && !r.Fault
	}
	return s
}

// read holds the text against the label rules, of the configured products
// where there are any.
func (s *Reading) read(text string, all papers.Catalogue, fault func(text, mend string)) {
	f, l, err := all.Read(text)
	switch {
	case f != nil:
		s.Product = f.Product.Name
	case len(all) == 0:
		l, err = label.Read(text)
	default:
		l, _ = label.Read(text)
	}
	s.Serial, s.Lot, s.Part = l.Serial, l.Lot, l.Part
	for _, f := range all {
		if s.Product != "" {
			break
		}
		if k, known := f.Product.Label.Rules.Keyboard(text); known {
			if k.CapsLock {
				fault("capitals and small letters are exchanged: Caps Lock is on", "switch Caps Lock off, or let the scanner ignore it")
			}
			if k.Layout != "" {
				fault(fmt.Sprintf("the scanner types for a US keyboard, the computer reads a %s one", k.Layout),
					"set the scanner's keyboard country to "+k.Layout.String())
			}
			return
		}
	}
	if err != nil {
		fault(err.Error(), "")
	}
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// WriteText shows a scan to a person.
func (s Reading) WriteText(w io.Writer) error {
	h := s.heard
	var b strings.Builder
	fmt.Fprintf(&b, "scan %d: %d bytes in %.0f ms\n", s.Scan, len(h.Bytes), s.TookMS)
	const perRow = 10
	for from := 0; from < len(h.Bytes); from += perRow {
		row := h.Bytes[from:min(from+perRow, len(h.Bytes))]
		fmt.Fprintf(&b, "  %3d ", from+1)
		for _, c := range row {
			fmt.Fprintf(&b, "   %02X ", c)
		}
		b.WriteString("\n      ")
		for _, c := range row {
			fmt.Fprintf(&b, "%5s ", label.Show(string([]byte{c})))
		}
		b.WriteString("\n      ")
		for i := range row {
			fmt.Fprintf(&b, "%5.0f ", s.GapsMS[from+i])
		}
		b.WriteString(" ms apart\n")
	}
	part := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "  %-8s %s\n", name, text)
		}
	}
	part("prefix", s.Prefix)
	part("text", s.Text)
	part("suffix", s.Suffix)
	part("serial", s.Serial)
	part("lot", s.Lot)
	part("part", s.Part)
	part("product", s.Product)
	for _, r := range s.Remarks {
		kind := "note"
		if r.Fault {
			kind = "FAULT"
		}
		text := r.Text
		if r.At > 0 {
			text = fmt.Sprintf("byte %d: %s", r.At, text)
		}
		if r.Mend != "" {
			text += "; " + r.Mend
		}
		part(kind, text)
	}
	if s.Usable {
		part("result", "it can be used as it is")
	} else {
		part("result", "it would be refused")
	}
	_, err := io.WriteString(w, b.String()+"\n")
	if err != nil {
		return fmt.Errorf("showing a scan: %w", err)
	}
	return nil
}
