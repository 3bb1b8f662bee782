package desk

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/bubbles/table"
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/station/screen/term"
)

// limitPage shows how a quantity is distributed, and what its limit does.
type limitPage struct {
	fine, coarse, side, open, guard, reset, scale, list key.Binding

	logarithmic bool
	listed      bool        // the units that change bin take the whole page
	changed     table.Model // of them
}

func newLimitPage(ascii bool) *limitPage {
	return &limitPage{
		fine:   bind(ascii, "move", "←→", "left right", "left", "right"),
		coarse: bind(ascii, "by ten", "↑↓", "up down", "up", "down"),
		side:   bind(ascii, "other side", "s", "s", "s"),
		open:   bind(ascii, "open side", "o", "o", "o"),
		guard:  bind(ascii, "guard", "g", "g", "g"),
		reset:  bind(ascii, "as in force", "0", "0", "0"),
		scale:  bind(ascii, "log counts", "v", "v", "v"),
		list:   bind(ascii, "units", "c", "c", "c"),
	}
}

func (p *limitPage) Title() string { return "Limits" }

func (p *limitPage) Keys() []key.Binding {
	return []key.Binding{p.fine, p.coarse, p.side, p.open, p.guard, p.reset, p.list, p.scale}
}

func (p *limitPage) Key(s *State, k tea.KeyMsg) bool {
	if p.listed && key.Matches(k, p.coarse) {
		p.changed, _ = p.changed.Update(k)
		return true
	}
	switch {
	case key.Matches(k, p.fine), key.Matches(k, p.coarse):
		steps := map[string]float64{"left": -1, "right": 1, "down": -10, "up": 10}[k.String()]
		s.shift(steps, s.axis(stepCells, false).step())
	case key.Matches(k, p.side):
		s.lower = !s.lower
		return true
	case key.Matches(k, p.open):
		s.set(nil)
	case key.Matches(k, p.guard):
		s.k = (s.k + 1) % quantity.Guards
	case key.Matches(k, p.reset):
		l := s.inForce()
		s.low, s.high, s.k = l.Low, l.High, int(l.K)
	case key.Matches(k, p.scale):
		p.logarithmic = !p.logarithmic
		return true
	case key.Matches(k, p.list):
		p.listed = !p.listed
		return true
	default:
		return false
	}
	if err := s.move(); err != nil {
		s.note = err.Error()
	}
	return true
}

// moved is the side that keys move.
func (s *State) moved() **float64 {
	if s.lower {
		return &s.low
	}
	return &s.high
}

// stepCells is how many steps lie on the chart, however wide it is drawn.
const stepCells = 80

// axis is what is shown of the quantity: the values, the limits in force, and
// where it is moved if that is asked.
func (s *State) axis(cells int, moved bool) axis {
	was := s.inForce()
	ends := []float64{bound(was.Low), bound(was.High)}
	if moved {
		ends = append(ends, bound(s.low), bound(s.high))
	}
	from, to := spread(s.sorted, ends...)
	return axis{from, to, cells}
}

// set puts the side that keys move.
func (s *State) set(v *float64) { *s.moved() = v }

// shift moves it by some steps, on a grid of round numbers. An open side comes
// in from the outermost value.
func (s *State) shift(steps, step float64) {
	at := *s.moved()
	if at == nil {
		if len(s.sorted) == 0 {
			return
		}
		v := s.sorted[len(s.sorted)-1]
		if s.lower {
			v = s.sorted[0]
		}
		at = &v
	}
	v := math.Round(*at/step)*step + steps*step
	if off := *at - math.Round(*at/step)*step; math.Abs(off) > step*1e-6 { // the grid is met first
		v = math.Round(*at/step+math.Copysign(0.5, steps)) * step
	}
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64) // 0.0119, not 0.011899999999999999
	s.set(&v)
}

// typed sets the side that keys move from what was typed.
func (s *State) typed(text string) error {
	text = strings.TrimSpace(text)
	if text == "" || text == "open" {
		s.set(nil)
		return s.move()
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("%q is no number: write it as 0.012, or nothing for an open side", text)
	}
	s.set(&v)
	return s.move()
}

func (p *limitPage) View(s *State, width, height int) string {
	if p.listed {
		return p.head(s) + "\n" + p.listView(s, width, height-1)
	}
	answers := s.answerView(width)
	below := strings.Count(answers, "\n")
	rows := max(3, height-below-4)
	return p.head(s) + "\n" + p.chart(s, width, rows) + answers + s.changedLine(width)
}

// head is the limit in words.
func (p *limitPage) head(s *State) string {
	was := s.inForce()
	part := func(name string, v, was *float64, moves bool) string {
		text := name + " " + side(v)
		if side(v) != side(was) {
			text += " (" + side(was) + ")"
		}
		if moves {
			return s.paint.strong(">" + text + "<")
		}
		return text
	}
	guard := fmt.Sprintf("guard %d u", s.k)
	if float64(s.k) != was.K {
		guard += fmt.Sprintf(" (%g)", was.K)
	}
	what := s.quantity.Unit
	if s.quantity.Zoned {
		what += " zones"
	}
	return fmt.Sprintf("%s, %s  %s  %s  %s", s.paint.strong(string(s.quantity.Name)), what, part("low", s.low, was.Low, s.lower), part("high", s.high, was.High, !s.lower), guard)
}

func bound(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// chart draws the distribution: rows of bars, the axis, and the limits below it.
func (p *limitPage) chart(s *State, width, rows int) string {
	axis := s.axis(width, true)
	from, to := axis.from, axis.to
	c := s.paint.canvas(width, rows+2)
	count, most := make([]int, width), 1
	for _, v := range s.sorted {
		i := min(width-1, max(0, axis.at(v))) // what is farther out stands at the edge
		count[i]++
		most = max(most, count[i])
	}
	level := func(n int) float64 {
		if p.logarithmic {
			return math.Log1p(float64(n)) / math.Log1p(float64(most))
		}
		return float64(n) / float64(most)
	}
	low, high := bound(s.low), bound(s.high)
	for x, n := range count {
		middle := from + (float64(x)+0.5)*(to-from)/float64(width)
		c.bar(x, rows, level(n), middle < low || middle > high)
	}
	for x := range width {
		c.put(x, rows, s.paint.sign('─', '-'), term.Plain)
	}
	free := make([]bool, width) // of the line of numbers
	for i := range free {
		free[i] = true
	}
	label := func(at int, text string) {
		at = min(max(0, at), max(0, width-len(text)))
		end := min(width, at+len(text)+1)
		if slices.Contains(free[max(0, at-1):end], false) {
			return
		}
		c.text(at, rows+1, text)
		for i := at; i < min(width, at+len(text)); i++ {
			free[i] = false
		}
	}
	mark := func(v, inward float64, name string) {
		if math.IsNaN(v) || !axis.inside(v) {
			return
		}
		at := min(width-1, axis.at(v))
		c.line(at, rows, s.paint.sign('│', '|'))
		c.put(at, rows, s.paint.sign('┴', '+'), term.Plain)
		if guard := v + inward*float64(s.k)*s.guard; s.k > 0 && s.guard > 0 && axis.inside(guard) && axis.at(guard) != at {
			c.line(axis.at(guard), rows, s.paint.sign('┊', ':'))
		}
		text := name + " " + number(v)
		label(at-len(text)/2, text)
	}
	mark(low, 1, "low")
	mark(high, -1, "high")
	label(0, number(from))
	label(width, number(to))
	if len(s.sorted) == 0 {
		c.text(2, rows/2, fmt.Sprintf("%s was not measured in any of %d attempts", s.quantity.Name, s.moving.Len()))
	} else {
		scale := ""
		if p.logarithmic {
			scale = ", log"
		}
		c.text(0, 0, fmt.Sprintf("%d%s", most, scale))
	}
	return c.String()
}

// answerView is what the attempts would have come to.
func (s *State) answerView(width int) string {
	a := &s.answer
	left := (width - 1) * 9 / 20
	var bins, yields strings.Builder
	fmt.Fprintf(&bins, "%-*s %6s %6s %7s\n", left-22, "bin", "before", "after", "")
	for _, b := range s.bothBins() {
		if b.before == 0 && b.after == 0 {
			continue
		}
		change := ""
		if b.after != b.before {
			change = fmt.Sprintf("%+d", b.after-b.before)
		}
		fmt.Fprintf(&bins, "%s %6d %6d %7s\n", s.paint.fit(fmt.Sprintf("%d %s", b.number, visible.Text(b.name)), left-22), b.before, b.after, change)
	}
	after := percent(float64(a.After.FirstPass.Value))
	if a.Unknown > 0 {
		after = fmt.Sprintf("%s to %s", percent(float64(a.After.FirstPass.Lower)), percent(float64(a.After.FirstPass.Upper)))
	}
	fmt.Fprintf(&yields, "first pass  %s before, %s\n", percent(float64(a.Before.FirstPass.Value)), s.paint.strong(after))
	if a.Unknown > 0 {
		fmt.Fprintf(&yields, "  %d need what was never measured\n", a.Unknown)
	}
	share := func(v whatif.Share) string {
		return fmt.Sprintf("%s (%s to %s)", small(float64(v.Value)), strings.TrimSuffix(small(float64(v.Lower)), " %"), strings.TrimSuffix(small(float64(v.Upper)), " %"))
	}
	fmt.Fprintf(&yields, "false accept %s\nfalse reject %s\n", share(a.FalseAccept), share(a.FalseReject))
	fmt.Fprintf(&yields, "worst nest %s%s\n", cmp.Or(visible.Text(a.WorstNest), "-"), s.resolvedWords())
	fmt.Fprintf(&yields, "%-6s %11s %11s %11s\n", "guard", "first pass", "false acc.", "false rej.")
	for _, g := range a.Guards {
		mark := " "
		if g.K == s.k {
			mark = ">"
		}
		fmt.Fprintf(&yields, "%s%-5d %11s %11s %11s\n", mark, g.K, percent(float64(g.FirstPass.Value)), small(float64(g.FalseAccept.Value)), small(float64(g.FalseReject.Value)))
	}
	return s.paint.beside(bins.String(), yields.String(), left)
}

// resolvedWords says of the moving limit that its scatter is the measurement's.
func (s *State) resolvedWords() string {
	for _, r := range s.answer.Risks {
		if r.Name == s.quantity.Name && !r.Resolved {
			return ", this limit not resolved"
		}
	}
	return ""
}

type bothBin struct {
	number        int
	name          string
	before, after int
}

// bothBins are the bins before and after, by number.
func (s *State) bothBins() (list []bothBin) {
	at := func(b whatif.Bin) *bothBin {
		i := slices.IndexFunc(list, func(c bothBin) bool { return c.number == b.SoftBin && c.name == b.Name })
		if i < 0 {
			i = len(list)
			list = append(list, bothBin{number: b.SoftBin, name: b.Name})
		}
		return &list[i]
	}
	for _, b := range s.answer.Before.Bins {
		at(b).before = b.Count
	}
	for _, b := range s.answer.After.Bins {
		at(b).after = b.Count
	}
	slices.SortFunc(list, func(a, b bothBin) int {
		return cmp.Or(cmp.Compare(a.number, b.number), cmp.Compare(a.name, b.name))
	})
	return list
}

// changedLine names the first units that change bin.
func (s *State) changedLine(width int) string {
	list := s.answer.Changed
	if len(list) == 0 {
		return "no attempt changes bin"
	}
	text := fmt.Sprintf("%d change bin (c):", len(list))
	for i, c := range list {
		word := fmt.Sprintf(" %s %s>%s", visible.Text(c.Serial), visible.Text(c.FromName), c.ToName)
		if i > 0 && len(text)+len(word)+2 > width {
			return text + string(s.paint.sign('…', '~'))
		}
		text += word
	}
	return text
}

// mostListed is how many units a page lists.
const mostListed = 2000

// listView lists every unit that changes bin.
func (p *limitPage) listView(s *State, width, height int) string {
	list := s.answer.Changed
	if len(list) == 0 {
		return "no attempt changes bin"
	}
	of := fmt.Sprint(len(list))
	if len(list) > mostListed {
		list = list[:mostListed]
		of = fmt.Sprintf("the first %d of %s: e exports all", mostListed, of)
	}
	cursor := min(p.changed.Cursor(), len(list)-1)
	wide := (width - 34) / 2
	rows := make([]table.Row, len(list))
	for i, c := range list {
		mark := ""
		if i == cursor {
			mark = ">"
		}
		rows[i] = table.Row{mark, visible.Text(c.Serial), strconv.Itoa(c.Attempt), visible.Text(c.FromName), c.ToName}
	}
	p.changed = s.paint.table([]table.Column{{Title: "", Width: 1}, {Title: "serial", Width: 18}, {Title: "try", Width: 3}, {Title: "from", Width: wide}, {Title: "to", Width: wide}},
		rows, cursor, width, height-1)
	return p.changed.View() + "\n" + fmt.Sprintf("%d of %s", cursor+1, of)
}
