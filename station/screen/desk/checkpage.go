package desk

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits/study"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen/term"
)

// checkPage charts what check units gave.
type checkPage struct {
	unit, kind, other key.Binding

	at      int
	kindAt  int
	against int // place among the other units of the nest, 0 for none
}

// checkBase is how many first values make the limits, and leastCheck how many
// there must be.
const (
	checkBase  = 20
	leastCheck = 5
)

func newCheckPage(ascii bool) *checkPage {
	return &checkPage{
		unit:  bind(ascii, "unit", "↑↓", "up down", "up", "down"),
		kind:  bind(ascii, "kind of chart", "k", "k", "k"),
		other: bind(ascii, "difference to another", "d", "d", "d"),
	}
}

func (p *checkPage) Title() string       { return "Check units" }
func (p *checkPage) Keys() []key.Binding { return []key.Binding{p.unit, p.kind, p.other} }

func (p *checkPage) Key(s *State, k tea.KeyMsg) bool {
	switch {
	case key.Matches(k, p.unit):
		step := 1
		if k.String() == "up" {
			step = -1
		}
		p.at = max(0, min(len(s.checks)-1, p.at+step))
		p.against = 0
	case key.Matches(k, p.kind):
		p.kindAt = (p.kindAt + 1) % len(study.ChartKinds())
	case key.Matches(k, p.other):
		p.against = (p.against + 1) % (1 + len(s.others(p.at)))
	default:
		return false
	}
	return true
}

// others are the other check units in the nest of one.
func (s *State) others(at int) (list []checkRun) {
	if at >= len(s.checks) {
		return nil
	}
	one := s.checks[at]
	for _, c := range s.checks {
		if c.nest == one.nest && c.serial != one.serial {
			list = append(list, c)
		}
	}
	return list
}

func (p *checkPage) View(s *State, w, h int) string {
	if len(s.checks) == 0 {
		return fmt.Sprintf("no check unit with a value of %s is chosen: a shift measures them when their time has come", s.quantity.Name)
	}
	p.at = min(p.at, len(s.checks)-1)
	run := s.checks[p.at]
	kind := study.ChartKinds()[p.kindAt]
	list, name := run.list, visible.Text(run.serial)
	if others := s.others(p.at); p.against > 0 && p.against <= len(others) {
		list = study.Difference(list, others[p.against-1].list)
		name += " less " + visible.Text(others[p.against-1].serial)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %s, %s, of %s in nest %s, %d of %d\n", s.paint.strong(kind), s.quantity.Name, s.quantity.Unit, name, visible.Text(run.nest), p.at+1, len(s.checks))
	if len(list) < leastCheck {
		fmt.Fprintf(&b, "\n%d values: %d are wanted for a chart", len(list), leastCheck)
		return b.String()
	}
	chart, err := study.OfCheckUnit(list, kind, checkBase)
	if err != nil {
		return err.Error()
	}
	shown := chart.Points[max(0, len(chart.Points)-(w-12)):]
	signals := 0
	for _, pt := range chart.Points {
		if len(pt.Signals) > 0 {
			signals++
		}
	}
	fmt.Fprintf(&b, "%d values, %d with signals; centre %.4g, limits %.4g to %.4g (first %d)\n", len(list), signals,
		float64(chart.Center), float64(chart.Lower), float64(chart.Upper), min(checkBase, len(list)))
	last := min(4, max(0, h-12))
	b.WriteString(s.controlChart(chart, shown, kind, w, max(5, h-3-last)))
	first := list[len(list)-len(shown)].At.In(s.where)
	fmt.Fprintf(&b, "%12s%s to %s\n", "", first.Format("2006-01-02 15:04"), list[len(list)-1].At.In(s.where).Format("2006-01-02 15:04"))
	for i := len(list) - last; i < len(list); i++ {
		words := ""
		if got := chart.Points[i].Signals; len(got) > 0 {
			words = "signal " + strings.Trim(fmt.Sprint(got), "[]")
		}
		fmt.Fprintf(&b, "%s %10.5g %s\n", list[i].At.In(s.where).Format("2006-01-02 15:04"), float64(chart.Points[i].Value), words)
	}
	return b.String()
}

// controlChart draws points with their limits, a column each.
func (s *State) controlChart(chart study.Chart, shown []study.Point, kind string, width, rows int) string {
	const margin = 12
	low, high, center := float64(chart.Lower), float64(chart.Upper), float64(chart.Center)
	if kind == "cusum" && chart.Points[0].High != nil {
		center = 0 // its sums are drawn, and begin there
	}
	y := []float64{low, high}
	for _, pt := range shown {
		y = append(y, pt.Shown(kind))
	}
	from, to := slices.Min(y), slices.Max(y)
	if pad := (to - from) / 20; pad > 0 {
		from, to = from-pad, to+pad
	}
	row := func(v float64) int {
		if !(to > from) {
			return rows / 2
		}
		return int(math.Round((to - v) / (to - from) * float64(rows-1)))
	}
	c := s.paint.canvas(width, rows)
	for _, v := range []float64{low, high, center} {
		c.text(0, row(v), fmt.Sprintf("%11s", number(v)))
	}
	for i, pt := range shown {
		r, tone := s.paint.sign('●', 'o'), term.Plain
		if len(pt.Signals) > 0 {
			r, tone = s.paint.sign('✗', 'X'), term.Failed
		}
		c.put(margin+i, row(pt.Shown(kind)), r, tone)
	}
	c.across(row(low), margin, s.paint.sign('─', '-'))
	c.across(row(high), margin, s.paint.sign('─', '-'))
	c.across(row(center), margin, s.paint.sign('┄', '.'))
	return c.String()
}
