package desk

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen/term"
)

// binPage is a Pareto chart of the soft bins that are not "passed".
type binPage struct{}

func (p *binPage) Title() string               { return "Bins" }
func (p *binPage) Keys() []key.Binding         { return nil }
func (p *binPage) Key(*State, tea.KeyMsg) bool { return false }

func (p *binPage) View(s *State, w, h int) string {
	a := s.attempts
	count := make([]int, len(a.bins))
	for _, b := range a.bin {
		count[b]++
	}
	var order []int
	bad := 0
	for i, k := range a.bins {
		if k.name != limits.Passed {
			order = append(order, i)
			bad += count[i]
		}
	}
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Or(cmp.Compare(count[y], count[x]), cmp.Compare(a.bins[x].number, a.bins[y].number))
	})
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %d of %d attempts did not pass\n\n", s.paint.strong("Soft bins by count"), bad, a.len())
	if bad == 0 {
		return b.String()
	}
	wide := max(10, w-52)
	fmt.Fprintf(&b, "%4s %-20s %7s %8s %8s\n", "bin", "name", "count", "of all", "sum")
	sum := 0
	for i, at := range order {
		if i > h-6 && i < len(order)-1 {
			fmt.Fprintf(&b, "and %d more bins: a larger window shows them\n", len(order)-i)
			break
		}
		sum += count[at]
		bar := s.paint.canvas(wide, 1)
		cells := count[at] * wide * 2 / count[order[0]]
		for x := range cells / 2 {
			bar.put(x, 0, s.paint.sign('█', '#'), term.Plain)
		}
		if cells%2 == 1 || cells == 0 {
			bar.put(cells/2, 0, s.paint.sign('▌', ':'), term.Plain)
		}
		fmt.Fprintf(&b, "%4d %s %7d %8s %8s %s", a.bins[at].number, s.paint.fit(visible.Text(a.bins[at].name), 20), count[at],
			percent(float64(count[at])/float64(a.len())), percent(float64(sum)/float64(bad)), bar)
	}
	return b.String()
}
