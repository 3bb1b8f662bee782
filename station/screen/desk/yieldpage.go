package desk

import (
	"fmt"
	"strings"
	"time"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits/study"
)

// yieldPage shows the station first-pass yield of the newest day, hour by hour,
// and of all days.
type yieldPage struct{}

func (p *yieldPage) Title() string               { return "Yield" }
func (p *yieldPage) Keys() []key.Binding         { return nil }
func (p *yieldPage) Key(*State, tea.KeyMsg) bool { return false }
func (p *yieldPage) View(s *State, w, h int) string {
	a := s.attempts
	if a.len() == 0 {
		return "no attempt is chosen"
	}
	first, last := a.span(s.where)
	day := make([]int, a.len()) // from the first
	hour := make([]int, a.len())
	days := 0
	for i, ns := range a.time {
		t := time.Unix(0, ns).In(s.where)
		y, m, d := t.Date()
		// Days of 23 and 25 hours are days too.
		day[i] = int(time.Date(y, m, d, 12, 0, 0, 0, time.UTC).Sub(time.Date(first.Year(), first.Month(), first.Day(), 12, 0, 0, 0, time.UTC)) / (24 * time.Hour))
		hour[i] = t.Hour()
		days = max(days, day[i]+1)
	}
	newest := a.by(1, func(i int) int { return (days - 1 - day[i]) }) // bucket 0 is the newest day
	hours := a.by(24, func(i int) int {
		if day[i] != days-1 {
			return -1
		}
		return hour[i]
	})
	every := (days + w - 12) / (w - 11) // days a column
	per := a.by((days+every-1)/every, func(i int) int { return day[i] / every })
	all := a.by(1, func(int) int { return 0 })

	var b strings.Builder
	title := "newest day " + last.Format(time.DateOnly)
	fmt.Fprintf(&b, "%s  %s\n", s.paint.strong(title), yieldWords(newest[0]))
	rows := max(3, (h-8)/2)
	wide := max(1, min(4, (w-11)/24))
	b.WriteString(s.trend(hours, w, rows, wide))
	line := strings.Repeat(" ", 9)
	for i := 0; i < 24; i += 3 {
		line += fmt.Sprintf("%-*s", 3*wide, fmt.Sprintf("%02d", i))
	}
	b.WriteString(line + "\n\n")
	unit := "day by day"
	if every > 1 {
		unit = fmt.Sprintf("%d days a column", every)
	}
	fmt.Fprintf(&b, "%s  %s\n", s.paint.strong(fmt.Sprintf("%d days, %s", days, unit)), yieldWords(all[0]))
	wide = max(1, min(4, (w-11)/len(per)))
	b.WriteString(s.trend(per, w, rows, wide))
	fmt.Fprintf(&b, "%9s%-*s%s\n", "", max(12, len(per)*wide-10), first.Format(time.DateOnly), last.Format(time.DateOnly))
	return b.String()
}

// trend draws first-pass yields: a column each, on a scale that ends at 100 %.
// What had no first attempt is empty.
func (s *State) trend(list []tally, width, rows, wide int) string {
	floor := 1.0
	for _, t := range list {
		if t.first > 0 {
			floor = min(floor, float64(t.passed)/float64(t.first))
		}
	}
	// A scale of 0, 50, 80 or 90 % up.
	low := 0.0
	for _, at := range []float64{0.5, 0.8, 0.9} {
		if floor >= at {
			low = at
		}
	}
	c := s.paint.canvas(width, rows)
	c.text(0, 0, "   100 %")
	c.text(0, rows-1, fmt.Sprintf("%6.0f %%", 100*low))
	for i, t := range list {
		if t.first == 0 {
			continue
		}
		level := (float64(t.passed)/float64(t.first) - low) / (1 - low)
		for x := range max(1, wide-1) {
			c.bar(9+i*wide+x, rows, max(level, 1e-9), false)
		}
	}
	return c.String()
}

// yieldWords is a first-pass yield with its 95 % interval (Wilson).
func yieldWords(t tally) string {
	p, err := study.NewProportion(t.passed, t.first, 0.95, "wilson")
	if err != nil {
		return fmt.Sprintf("%d attempts, no first one of production", t.all)
	}
	return fmt.Sprintf("first pass %s (%.2f to %.2f), %d of %d", percent(float64(p.Value)), 100*float64(p.Lower), 100*float64(p.Upper), t.passed, t.first)
}
