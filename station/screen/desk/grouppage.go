package desk

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/bubbles/table"
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits/study"
	"example.org/panecal/limits/visible"
)

// groupPage tells nests, lots, hours and the like apart: the yield of each, and
// the quantity.
type groupPage struct {
	by, move key.Binding
	at       int // of hour, then Groupings
	table    table.Model
}

func newGroupPage(ascii bool) *groupPage {
	return &groupPage{by: bind(ascii, "by nest, lot, hour ...", "b", "b", "b"), move: bind(ascii, "scroll", "↑↓", "up down", "up", "down", "pgup", "pgdown", "home", "end")}
}

func (p *groupPage) Title() string       { return "Groups" }
func (p *groupPage) Keys() []key.Binding { return []key.Binding{p.by, p.move} }

func (p *groupPage) Key(_ *State, k tea.KeyMsg) bool {
	switch {
	case key.Matches(k, p.by):
		p.at = (p.at + 1) % (len(Groupings()) + 2)
		p.table.SetCursor(0)
	case key.Matches(k, p.move):
		p.table, _ = p.table.Update(k)
	default:
		return false
	}
	return true
}

// group is attempts that have something in common.
type group struct {
	name string
	tally
	n          int // with a value
	sum, first float64
	squares    float64
}

func (g *group) value(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if g.n == 0 {
		g.first = v
	}
	g.n++
	d := v - g.first
	g.sum += d
	g.squares += d * d
}

func (g *group) mean() float64 { return g.first + g.sum/float64(g.n) }

func (g *group) sd() float64 {
	n := float64(g.n)
	return math.Sqrt(max(0, (g.squares-g.sum*g.sum/n)/(n-1)))
}

// groups are the groups of a kind: "hour" of the day, "day", or a grouping.
func (s *State) groups(at int) (by string, list []*group) {
	a := s.attempts
	v, _ := s.moving.Values()
	var of func(i int) string
	kinds := Groupings()
	switch {
	case at < len(kinds):
		by = kinds[at]
		of = func(i int) string { return a.names[at][a.group[at][i]] }
	case at == len(kinds):
		by = "hour"
		of = func(i int) string { return time.Unix(0, a.time[i]).In(s.where).Format("15:00") }
	default:
		by = "day"
		of = func(i int) string { return time.Unix(0, a.time[i]).In(s.where).Format(time.DateOnly) }
	}
	found := map[string]*group{}
	for i, flags := range a.flags {
		name := of(i)
		g := found[name]
		if g == nil {
			g = &group{name: name}
			found[name] = g
			list = append(list, g)
		}
		g.add(flags)
		g.value(v[i])
	}
	slices.SortFunc(list, func(x, y *group) int { return cmp.Compare(x.name, y.name) })
	return by, list
}

func (p *groupPage) View(s *State, w, h int) string {
	by, list := s.groups(p.at)
	if len(list) == 0 {
		return "no attempt is chosen"
	}
	cursor := max(0, min(p.table.Cursor(), len(list)-1))
	rows := make([]table.Row, len(list))
	for i, g := range list {
		mark := ""
		if i == cursor {
			mark = ">"
		}
		yield := "-"
		if f, err := study.NewProportion(g.passed, g.tally.first, 0.95, "wilson"); err == nil {
			yield = fmt.Sprintf("%.2f (%.1f-%.1f)", 100*float64(f.Value), 100*float64(f.Lower), 100*float64(f.Upper))
		}
		mean, sd := "-", "-"
		if g.n > 0 {
			mean = fmt.Sprintf("%.5g", g.mean())
		}
		if g.n > 1 {
			sd = fmt.Sprintf("%.3g", g.sd())
		}
		rows[i] = table.Row{mark, cmp.Or(visible.Text(g.name), "(not told)"), fmt.Sprint(g.all), fmt.Sprint(g.tally.first), yield, mean, sd}
	}
	name := max(12, min(24, w-64))
	p.table = s.paint.table([]table.Column{{Title: "", Width: 1}, {Title: by, Width: name}, {Title: "all", Width: 7}, {Title: "first", Width: 7},
		{Title: "first pass % (95 %)", Width: 20}, {Title: "mean", Width: 10}, {Title: "sd", Width: 9}}, rows, cursor, w, max(2, h-4))
	var b strings.Builder
	fmt.Fprintf(&b, "%s  mean and sd of %s, %s\n\n", s.paint.strong(fmt.Sprintf("By %s: %d groups", by, len(list))), s.quantity.Name, s.quantity.Unit)
	b.WriteString(p.table.View())
	return b.String()
}
