package desk

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/charmbracelet/lipgloss"
	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/station/screen/term"
)

// paint is how to draw on this terminal.
type paint struct {
	ascii    bool
	renderer *lipgloss.Renderer
}

// sign is a rune, or what stands for it in ASCII.
func (p paint) sign(r, plain rune) rune {
	if p.ascii {
		return plain
	}
	return r
}

// strong is for what is chosen; it never says anything alone.
func (p paint) strong(s string) string { return term.Strong.Style(p.renderer).Render(s) }

// tone colours a text that says the same without.
func (p paint) tone(t term.Tone, s string) string { return t.Style(p.renderer).Render(s) }

// fit cuts a line, or fills it up, to so many cells.
func (p paint) fit(s string, width int) string {
	if ansi.StringWidth(s) > width {
		s = ansi.Truncate(s, width, string(p.sign('…', '~')))
	}
	return s + strings.Repeat(" ", max(0, width-ansi.StringWidth(s)))
}

// box cuts a text, or fills it up, to so many lines of so many cells.
func (p paint) box(s string, width, height int) string {
	lines := strings.Split(strings.TrimSuffix(s, "\n"), "\n")
	for len(lines) < height {
		lines = append(lines, "")
	}
	lines = lines[:height]
	for i := range lines {
		lines[i] = p.fit(lines[i], width)
	}
	return strings.Join(lines, "\n")
}

// beside puts two texts next to each other.
func (p paint) beside(left, right string, width int) string {
	l, r := strings.Split(strings.TrimSuffix(left, "\n"), "\n"), strings.Split(strings.TrimSuffix(right, "\n"), "\n")
	var b strings.Builder
	for i := range max(len(l), len(r)) {
		a, z := "", ""
		if i < len(l) {
			a = l[i]
		}
		if i < len(r) {
			z = r[i]
		}
		b.WriteString(p.fit(a, width) + " " + z + "\n")
	}
	return b.String()
}

// number is a value as short as tells it.
func number(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

// side is a limit, or that there is none.
func side(v *float64) string {
	if v == nil {
		return "open"
	}
	return number(*v)
}

func percent(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.2f %%", 100*v)
}

// small is a share that may be tiny.
func small(v float64) string {
	switch {
	case math.IsNaN(v):
		return "-"
	case v > 0 && v < 5e-5:
		return fmt.Sprintf("%.1e %%", 100*v)
	}
	return fmt.Sprintf("%.3g %%", 100*v)
}
