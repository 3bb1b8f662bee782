package query

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/figure"
	"example.org/panecal/store/record"
)

// width is that of the smallest screen.
const width = 80

// WriteText writes the history in short for people: what happened, then the last
// attempts side by side with what changed marked, 80 columns wide. Times are of
// zone. Text of the record is made visible.
func (u *Unit) WriteText(w io.Writer, zone *time.Location) error {
	p := &page{zone: zone}
	p.line(0, "unit %s: %s", u.Serial, orDash(string(u.Disposition)))
	if u.Simulated {
		p.line(2, "SIMULATED: an invented history, nobody measured anything")
	}
	p.line(2, "identity %s", orDash(strings.Join(u.UnitIDs, ", ")))
	if len(u.AlsoSeenAs) > 0 {
		p.line(2, "ALSO SEEN AS %s", strings.Join(u.AlsoSeenAs, ", "))
	}
	if len(u.UnitIDs) > 1 {
		p.line(2, "MORE THAN ONE UNIT answered under this label")
	}
	p.line(0, "")
	for _, m := range u.Timeline {
		p.moment(u, m)
	}
	u.sideBySide(p)
	_, err := w.Write(p.b.Bytes())
	return err
}

// page is lines of at most width.
type page struct {
	b    bytes.Buffer
	zone *time.Location
}

// line writes text, in as many lines as it takes; what follows is indented further.
func (p *page) line(indent int, format string, args ...any) {
	text := visible.Text(fmt.Sprintf(format, args...))
	pad := strings.Repeat(" ", indent)
	for {
		runes := []rune(text)
		room := width - len(pad)
		if len(runes) <= room {
			fmt.Fprintf(&p.b, "%s\n", strings.TrimRight(pad+text, " "))
			return
		}
		cut := room
		for i := room; i > room/2; i-- {
			if runes[i] == ' ' {
				cut = i
				break
			}
		}
		fmt.Fprintf(&p.b, "%s%s\n", pad, strings.TrimRight(string(runes[:cut]), " "))
		text = strings.TrimLeft(string(runes[cut:]), " ")
		pad = strings.Repeat(" ", indent+4)
	}
}

func (p *page) when(t time.Time) string { return t.In(p.zone).Format("2006-01-02 15:04:05") }

func (p *page) moment(u *Unit, m Moment) {
	under := ""
	if m.Other {
		under = fmt.Sprintf("  [label %s]", m.Serial)
	} else if len(u.UnitIDs) > 1 && m.UnitID != "" {
		under = fmt.Sprintf("  [unit %s]", m.UnitID)
	}
	p.line(0, "%s  %s%s", p.when(m.Time), m.Text, under)
	for i := range u.Attempts {
		a := &u.Attempts[i]
		if a.Record != m.Record {
			continue
		}
		p.line(4, "record %s, nest %s, operator %s, software %s, hard bin %d", a.Record.short(), orDash(a.Nest), orDash(a.Operator), orDash(a.Software), a.HardBin)
		p.line(4, "limits %.8s, product %.8s, sheet %.8s, firmware %s", orDash(a.Limits.Rev), orDash(a.Product.Rev), orDash(a.Sheet.Rev), orDash(a.Firmware))
		if !a.LabelConfirmed {
			p.line(4, "label NOT CONFIRMED, tie %s", orDash(a.LabelTie))
		}
		for _, c := range a.CheckUnits {
			p.line(4, "check unit %s %s in nest %s, %s before", c.Serial, c.Outcome, c.Nest, a.Time.Sub(c.Time).Round(time.Minute))
		}
		for _, f := range a.CaptureFaults {
			p.line(4, "capture fault %s in %s, zones %s", f.Code, f.Capture, record.ZoneList(f.Zones, len(a.Zones)))
		}
		var missing []string
		for _, l := range a.Lines {
			switch {
			case l.Passed:
			case math.IsNaN(float64(l.Value)):
				missing = append(missing, l.Name)
			default:
				p.line(4, "%s %s ± %s %s, limits %s … %s, k %s: FAILED", l.Name, digits(l.Value), digits(l.U), l.Unit, digits(l.Lower), digits(l.Upper), l.K)
			}
		}
		if len(missing) > 0 {
			p.line(4, "not measured: %s", strings.Join(missing, ", "))
		}
		if a.Instruction != "" {
			p.line(4, "instruction: %s", a.Instruction)
		}
	}
}

func digits(n Number) string {
	if v := float64(n); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return fmt.Sprintf("%.4g", v)
	}
	return "-"
}

// concise is a value with its standard uncertainty in units of its last digits (JCGM
// 100:2008, 7.2.2): 0.0396(12).
func concise(v, u float64) string {
	if !(u > 0) || math.IsInf(u, 0) {
		return digits(Number(v))
	}
	places := max(0, 1-int(math.Floor(math.Log10(u))))
	if places > 12 {
		return digits(Number(v))
	}
	last := u
	if places > 0 {
		last = math.Round(u * math.Pow10(places))
	}
	return fmt.Sprintf("%.*f(%.0f)", places, v, last)
}

// columns is how many attempts stand side by side.
const columns = 3

// changedSigmas is by how much of their common standard uncertainty two values of a
// quantity differ where that is marked: one pair in twenty by chance.
const changedSigmas = 2

// sideBySide writes the last attempts beside one another; a mark stands where
// something is another than in the attempt before.
func (u *Unit) sideBySide(p *page) {
	var list []*Attempt
	for i := range u.Attempts {
		list = append(list, &u.Attempts[i])
	}
	if len(list) > columns {
		list = list[len(list)-columns:]
	}
	if len(list) == 0 {
		return
	}
	p.line(0, "")
	row := func(what string, cell func(*Attempt) string, changed func(a, b *Attempt) bool) {
		line, any := fmt.Sprintf("%-21s", what), false
		for i, a := range list {
			text, mark := cell(a), " "
			any = any || text != "-"
			if i > 0 && changed(list[i-1], a) {
				mark = "*"
			}
			runes := []rune(visible.Text(text))
			if len(runes) > 16 {
				runes = append(runes[:15], '…')
			}
			line += fmt.Sprintf("  %s%-16s", mark, string(runes))
		}
		if any {
			fmt.Fprintf(&p.b, "%s\n", strings.TrimRight(line, " "))
		}
	}
	texts := func(what string, of func(*Attempt) string) {
		row(what, func(a *Attempt) string { return orDash(of(a)) }, func(a, b *Attempt) bool { return of(a) != of(b) })
	}
	row("attempt", func(a *Attempt) string { return fmt.Sprintf("%d %s", a.AttemptNo, a.Purpose) }, func(*Attempt, *Attempt) bool { return false })
	row("record", func(a *Attempt) string { return a.Record.short() }, func(*Attempt, *Attempt) bool { return false })
	texts("outcome", func(a *Attempt) string { return string(a.Outcome) })
	texts("soft bin", func(a *Attempt) string { return fmt.Sprintf("%d %s", a.SoftBin, a.SoftName) })
	texts("unit", func(a *Attempt) string { return a.UnitID })
	texts("nest", func(a *Attempt) string { return a.Nest })
	texts("operator", func(a *Attempt) string { return a.Operator })
	texts("software", func(a *Attempt) string { return a.Software })
	texts("firmware", func(a *Attempt) string { return a.Firmware })
	texts("limits", func(a *Attempt) string { return short(a.Limits.Rev) })
	texts("product", func(a *Attempt) string { return short(a.Product.Rev) })
	texts("sheet", func(a *Attempt) string { return short(a.Sheet.Rev) })
	texts("certificate", func(a *Attempt) string { return a.Target.Certificate })
	for _, d := range quantity.All() {
		name := string(d.Name)
		row(name, func(a *Attempt) string {
			q, ok := a.Quantities[name]
			if !ok || math.IsNaN(float64(q.Value)) {
				return "-"
			}
			return concise(float64(q.Value), float64(q.U))
		}, func(a, b *Attempt) bool { return differ(a.Quantities, b.Quantities, name) })
	}
	p.line(0, "")
	p.line(0, "0.0396(12) is 0.0396 ± 0.0012. * another than in the attempt before; a number, by more than %d standard uncertainties of the difference.", changedSigmas)
	if more := len(u.Attempts) - len(list); more > 0 {
		p.line(0, "%d earlier attempts, every line and the zones: --all", more)
	} else {
		p.line(0, "Every line and the zones: --all")
	}
}

func short(rev string) string { return rev[:min(8, len(rev))] }

// differ says whether a quantity changed between two attempts. What is common to a
// nest cancels.
func differ(a, b map[string]Quantity, name string) bool {
	x, hasX := a[name]
	y, hasY := b[name]
	vx, vy := float64(x.Value), float64(y.Value)
	if !hasX || !hasY || math.IsNaN(vx) != math.IsNaN(vy) {
		return hasX != hasY
	}
	own := func(q Quantity) float64 {
		u, c := float64(q.U), float64(q.Common)
		if math.IsNaN(u) {
			return 0
		}
		if math.IsNaN(c) {
			c = 0
		}
		return math.Sqrt(max(0, u*u-c*c))
	}
	return math.Abs(vx-vy) > changedSigmas*math.Hypot(own(x), own(y))
}

// Maps are the zones of an attempt as maps: leakage, offset, signal, and the error
// after writing; those that were measured.
func (a *Attempt) Maps() []figure.ZoneMap {
	of := func(title, unit string, get func(*Zone) Number) figure.ZoneMap {
		m := figure.ZoneMap{Title: title, Unit: unit, Rows: a.Rows, Cols: a.Cols}
		for i := range a.Zones {
			m.Values, m.Flags = append(m.Values, float64(get(&a.Zones[i]))), append(m.Flags, a.Zones[i].Flags)
		}
		return m
	}
	var list []figure.ZoneMap
	for _, m := range []figure.ZoneMap{
		of("leakage", "{count}/{shot}", func(z *Zone) Number { return z.Leakage }),
		of("offset", "mm", func(z *Zone) Number { return z.OffsetMM }),
		of("signal", "{count}/{shot}", func(z *Zone) Number { return z.Signal }),
		of("error after writing", "mm", func(z *Zone) Number { return z.VerifyMM }),
	} {
		for _, v := range m.Values {
			if !math.IsNaN(v) && !math.IsInf(v, 0) && a.Rows*a.Cols == len(a.Zones) {
				list = append(list, m)
				break
			}
		}
	}
	return list
}
