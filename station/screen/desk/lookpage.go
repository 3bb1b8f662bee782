package desk

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station/figure"
)

// lookPage is one page of the analyst's desk. What it shows is read once for each
// thing that is asked, which want names, and drawn from what was read.
type lookPage interface {
	title() string
	keys() []key.Binding
	// key takes a key that may be the page's; false if it is not.
	key(k tea.KeyMsg) bool
	// want names what is shown of an attempt, and read reads it.
	want(f Found) string
	read(ctx context.Context, p Past, f Found) (any, error)
	// draw draws it into cells of a width; height is what is seen at once.
	draw(p paint, got any, width, height int) string
}

// looks are the pages about one attempt, in order.
func looks(ascii bool) []lookPage {
	zone, other := bind(ascii, "zone", "n p", "n p", "n", "p"), bind(ascii, "empty, target", "c", "c", "c")
	return []lookPage{&timelinePage{}, &zonePage{next: bind(ascii, "map", "n p", "n p", "n", "p")}, &histogramPage{next: zone, other: other, zone: 1, capture: "target"}, &comparePage{}}
}

// timelinePage is what happened to a unit.
type timelinePage struct{}

func (*timelinePage) title() string       { return "Timeline" }
func (*timelinePage) keys() []key.Binding { return nil }
func (*timelinePage) key(tea.KeyMsg) bool { return false }
func (*timelinePage) want(f Found) string { return f.Serial }
func (*timelinePage) read(ctx context.Context, p Past, f Found) (any, error) {
	return p.Timeline(ctx, f)
}
func (*timelinePage) draw(_ paint, got any, _, _ int) string { return got.(string) }

// comparePage is how an attempt stands among its population.
type comparePage struct{}

func (*comparePage) title() string       { return "Compare" }
func (*comparePage) keys() []key.Binding { return nil }
func (*comparePage) key(tea.KeyMsg) bool { return false }
func (*comparePage) want(f Found) string { return fmt.Sprint(f.Generation, "/", f.Sequence) }
func (*comparePage) read(ctx context.Context, p Past, f Found) (any, error) {
	return p.Compare(ctx, f)
}
func (*comparePage) draw(_ paint, got any, _, _ int) string { return got.(string) }

// zonePage is the maps of an attempt's zones.
type zonePage struct {
	next key.Binding
	at   int // of the map that stands first
}

func (*zonePage) title() string         { return "Zones" }
func (z *zonePage) keys() []key.Binding { return []key.Binding{z.next} }
func (z *zonePage) key(k tea.KeyMsg) bool {
	if !key.Matches(k, z.next) {
		return false
	}
	z.at += step(k)
	return true
}
func (*zonePage) want(f Found) string { return fmt.Sprint(f.Generation, "/", f.Sequence) }
func (*zonePage) read(ctx context.Context, p Past, f Found) (any, error) {
	return p.Maps(ctx, f)
}

func (z *zonePage) draw(_ paint, got any, width, _ int) string {
	list := got.([]figure.ZoneMap)
	if len(list) == 0 {
		return "this attempt measured no zones"
	}
	z.at = (z.at%len(list) + len(list)) % len(list)
	var b strings.Builder
	for _, m := range slices.Concat(list[z.at:], list[:z.at]) {
		b.WriteString(m.Text(width) + "\n")
	}
	return b.String()
}

// histogramPage is the raw capture of one zone with what was fitted to it.
type histogramPage struct {
	next, other key.Binding
	zone        int // from 1
	capture     string
}

func (*histogramPage) title() string         { return "Histogram" }
func (h *histogramPage) keys() []key.Binding { return []key.Binding{h.next, h.other} }
func (h *histogramPage) key(k tea.KeyMsg) bool {
	switch {
	case key.Matches(k, h.next):
		h.zone = max(1, h.zone+step(k))
	case key.Matches(k, h.other) && h.capture == "target":
		h.capture = "empty"
	case key.Matches(k, h.other):
		h.capture = "target"
	default:
		return false
	}
	return true
}
func (h *histogramPage) want(f Found) string {
	return fmt.Sprint(f.Generation, "/", f.Sequence, " ", h.zone, " ", h.capture)
}
func (h *histogramPage) read(ctx context.Context, p Past, f Found) (any, error) {
	return p.Histogram(ctx, f, h.zone, h.capture)
}

// draw shows as many bins as have room besides head and sum; the notes are below.
func (*histogramPage) draw(_ paint, got any, width, height int) string {
	return got.(figure.Histogram).Text(width, max(6, height-6))
}

// step is forward with n, back with p.
func step(k tea.KeyMsg) int {
	if k.String() == "p" {
		return -1
	}
	return 1
}

// foundLines are the attempts of a list, a line each.
func foundLines(b *browser) []string {
	var lines []string
	for i := range b.list {
		f := &b.list[i]
		mark := " "
		if i == b.cursor {
			mark = ">"
		}
		purpose := ""
		if f.Purpose != "production" {
			purpose = " " + f.Purpose
		}
		line := fmt.Sprintf("%s %s  %-12s %2d %-7s %-8s %s, nest %s%s", mark, f.Time.In(b.where).Format("2006-01-02 15:04:05"), f.Serial, f.AttemptNo, f.Outcome,
			cmp.Or(f.Disposition, "-"), f.Bin, f.Nest, purpose)
		line = b.paint.fit(visible.Text(line), b.width)
		if i == b.cursor {
			line = b.paint.strong(line)
		}
		lines = append(lines, line)
	}
	return lines
}
