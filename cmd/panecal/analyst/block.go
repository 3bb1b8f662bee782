package analyst

import (
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"text/tabwriter"

	"example.org/panecal/limits/visible"
	"example.org/panecal/protocol"
)

// field is one field of a constants block: a text, or numbers with what is stored
// for them. A stored number n of a scale k stands for n·2^−k.
type field struct {
	Name   string    `json:"name"`
	Unit   string    `json:"unit"` // UCUM code, "" for none
	Text   string    `json:"text,omitempty"`
	Values []float64 `json:"values,omitempty"`
	Stored []int64   `json:"stored,omitempty"`
	Scale  int       `json:"scale"`
	across int       // values in a row, where they are a map of the zones
}

// fieldsOf takes a block apart, in the order in which the unit keeps it.
func fieldsOf(b *protocol.Block) []field {
	text := func(name, s string) field { return field{Name: name, Text: s} }
	number := func(name, unit string, n int64, per float64) field {
		return field{Name: name, Unit: unit, Values: []float64{float64(n) / per}, Stored: []int64{n}}
	}
	list := []field{
		number("rows", "", int64(b.Rows), 1), number("columns", "", int64(b.Cols), 1),
		number("first_bin", "", int64(b.FirstBin), 1), number("bins", "", int64(b.Bins), 1),
		number("temperature", "Cel", int64(b.TempMilliCel), 1000),
		text("serial", b.Serial),
		text("product_rev", hex.EncodeToString(b.ProductRev[:])), text("limits_rev", hex.EncodeToString(b.LimitsRev[:])),
		scaled("leakage", "{count}/{shot}", b.Leakage, b.LeakageScale, b.Cols),
		scaled("leakage_bins", "{count}/{shot}", b.LeakageBins, b.BinScale, 0),
		scaled("offsets", "mm", b.Offsets, b.OffsetScale, b.Cols),
		text("station", b.Witness.Station), number("generation", "", int64(b.Witness.Generation), 1), text("sequence", strconv.FormatUint(b.Witness.Sequence, 10)),
		text("intent", hex.EncodeToString(b.Witness.Intent[:])), text("state", b.State.String()),
	}
	if b.State == protocol.Voided {
		return list[len(list)-1:]
	}
	return list
}

func scaled[N int16 | int32](name, unit string, list []N, scale uint8, across int) field {
	f := field{Name: name, Unit: unit, Scale: int(scale), across: across}
	for _, n := range list {
		f.Stored = append(f.Stored, int64(n))
		f.Values = append(f.Values, math.Ldexp(float64(n), -int(scale)))
	}
	return f
}

// blockDifference is a field that two blocks do not have alike.
type blockDifference struct {
	Field    string `json:"field"`
	Recorded string `json:"recorded"`
	Unit     string `json:"unit"` // what the unit holds
	Places   []int  `json:"places,omitempty"`
}

// differencesOf names the fields in which the unit's block is another one.
func differencesOf(recorded, unit []field) []blockDifference {
	list := []blockDifference{}
	at := func(l []field, name string) *field {
		if i := slices.IndexFunc(l, func(f field) bool { return f.Name == name }); i >= 0 {
			return &l[i]
		}
		return &field{Name: name, Text: "none"}
	}
	for i := range recorded {
		r := &recorded[i]
		u := at(unit, r.Name)
		d := blockDifference{Field: r.Name, Recorded: r.short(), Unit: u.short()}
		for n := range max(len(r.Values), len(u.Values)) {
			if n >= len(r.Values) || n >= len(u.Values) || r.Values[n] != u.Values[n] {
				d.Places = append(d.Places, n)
			}
		}
		if r.Text != u.Text || len(d.Places) > 0 || r.Scale != u.Scale {
			list = append(list, d)
		}
	}
	return list
}

// short is the field in a few words.
func (f *field) short() string {
	switch n := len(f.Values); {
	case n == 0 && f.Text == "" && f.Stored == nil:
		return "none"
	case n == 0:
		return visible.Text(f.Text)
	case n == 1:
		return strconv.FormatFloat(f.Values[0], 'g', 8, 64)
	default:
		sum := 0.0
		for _, v := range f.Values {
			sum += v
		}
		return fmt.Sprintf("%d values, %.6g to %.6g, in all %.6g", n, slices.Min(f.Values), slices.Max(f.Values), sum)
	}
}

// writeFields prints a block for people: a line a field, the zones as maps.
func writeFields(w io.Writer, list []field) error {
	for i := range list {
		f := &list[i]
		t := tabwriter.NewWriter(w, 16, 0, 2, ' ', 0)
		scale := ""
		if f.Scale > 0 {
			scale = fmt.Sprintf(", stored as n·2^-%d", f.Scale)
		}
		fmt.Fprintf(t, "  %s\t%s %s%s\n", f.Name, f.short(), f.Unit, scale)
		if err := t.Flush(); err != nil {
			return err
		}
		if f.across == 0 || len(f.Values) < 2 {
			continue
		}
		for row := range slices.Chunk(f.Values, f.across) {
			line := "  "
			for _, v := range row {
				line += fmt.Sprintf(" %7.*f", digits(f.Values), v)
			}
			if _, err := fmt.Fprintln(w, line); err != nil {
				return err
			}
		}
	}
	return nil
}

// digits is how many places after the point seven signs have room for.
func digits(list []float64) int {
	n := 5
	for m := max(slices.Max(list), -slices.Min(list)); m >= 10 && n > 0; m /= 10 {
		n--
	}
	if slices.Min(list) < 0 && n > 0 {
		n--
	}
	return n
}
