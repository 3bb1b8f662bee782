package query

import (
	"fmt"
	"math"

	"example.org/panecal/store/record"
)

// at returns list[i], or not-a-number where there is none.
func at(list []float64, i int) Number {
	if i < len(list) {
		return Number(list[i])
	}
	return Number(math.NaN())
}

// zones turns the arrays of a record into one value a zone.
func zones(z *record.Zones) []Zone {
	n := len(z.Flags)
	for _, l := range [][]float64{z.Leakage, z.RangeMM, z.OffsetMM, z.Signal, z.Ambient, z.UnitRangeMM, z.VerifyMM} {
		n = max(n, len(l))
	}
	out := make([]Zone, n)
	for i := range out {
		out[i] = Zone{
			Leakage: at(z.Leakage, i), LeakageU: at(z.LeakageU, i), LeakageDistanceMM: at(z.LeakageDistanceMM, i),
			RangeMM: at(z.RangeMM, i), RangeUMM: at(z.RangeUMM, i), OffsetMM: at(z.OffsetMM, i), OffsetUMM: at(z.OffsetUMM, i),
			Signal: at(z.Signal, i), SignalU: at(z.SignalU, i), Ambient: at(z.Ambient, i), AmbientU: at(z.AmbientU, i),
			AmbientTarget: at(z.AmbientTarget, i), UnitRangeMM: at(z.UnitRangeMM, i), VerifyMM: at(z.VerifyMM, i), Flags: []string{},
		}
		if i < len(z.Flags) {
			out[i].Flags = append(out[i].Flags, z.Flags[i]...)
		}
	}
	return out
}

// words says in one line what a record other than an attempt says.
func words(b record.Body) string {
	switch b := b.(type) {
	case *record.AttemptIntent:
		text := fmt.Sprintf("attempt %d (%s) begun in nest %s by %s", b.Run.AttemptNo, b.Run.Purpose, b.Run.Nest, orDash(b.Run.Operator))
		if g := b.Gate; g != nil {
			text += fmt.Sprintf(", gate: %s (%s)", g.Answer, orDash(g.Request+g.Why))
		}
		return text
	case *record.WriteIntent:
		return fmt.Sprintf("about to write constants, body %.16s…", b.BodyHash)
	case *record.DispositionChange:
		text := fmt.Sprintf("disposition %s to %s by %s: %s", orDash(string(b.From)), b.To, b.By, b.Why)
		if b.Document != "" {
			text += ", concession " + b.Document
		}
		return text
	case *record.Decision:
		how := "unsigned"
		if b.Signed {
			how = "signed"
		}
		return fmt.Sprintf("%s decided by %s (%s): %s; %s", b.Verb, b.By, how, b.Reason, units(b))
	case *record.Refusal:
		return fmt.Sprintf("refused in nest %s (%s): %s", orDash(b.Nest), b.Code, b.Chain)
	case *record.ReworkDone:
		return fmt.Sprintf("rework by %s: %s", b.By, b.Action)
	case *record.Note:
		if len(b.Signed) > 0 {
			return fmt.Sprintf("note, signed by %s: %s", b.By, b.Text)
		}
		return fmt.Sprintf("note by %s: %s", b.By, b.Text)
	case *record.AccessRefused:
		return fmt.Sprintf("%s was refused (%s): %s", orDash(b.Person), b.Wanted, b.Code)
	case *record.Unknown:
		return "written by a later program; this one cannot read it"
	}
	return b.Kind().String()
}

func units(d *record.Decision) string {
	text := fmt.Sprintf("%d units", d.Units)
	if d.Units == 1 {
		text = "1 unit"
	}
	if d.Left > 0 {
		text += fmt.Sprintf(", %d left as they were", d.Left)
	}
	return text
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
