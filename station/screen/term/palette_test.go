package term_test

import (
	"bytes"
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/muesli/termenv"

	"example.org/panecal/station/screen/term"
)

func rgb(c [3]uint8) colorful.Color {
	return colorful.Color{R: float64(c[0]) / 255, G: float64(c[1]) / 255, B: float64(c[2]) / 255}
}

// indexed is colour i of the 256: the cube of 6x6x6 with levels 0, 95, 135,
// 175, 215, 255 from index 16, as xterm and its followers have it.
func indexed(t *testing.T, i uint8) [3]uint8 {
	t.Helper()
	if i < 16 || i > 231 {
		t.Fatalf("index %d is not in the colour cube", i)
	}
	levels := [6]uint8{0, 95, 135, 175, 215, 255}
	i -= 16
	return [3]uint8{levels[i/36], levels[i/6%6], levels[i%6]}
}

// contrast is the ratio of WCAG 2.2.
func contrast(a, b [3]uint8) float64 {
	luminance := func(c [3]uint8) float64 {
		r, g, b := rgb(c).LinearRgb()
		return 0.2126*r + 0.7152*g + 0.0722*b
	}
	la, lb := luminance(a), luminance(b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

var coloured = map[term.Tone]string{term.Passed: "passed", term.Failed: "failed", term.Hold: "hold", term.Action: "action"}

// WCAG 2.2 criterion 1.4.3 asks 4.5:1 for text.
func TestContrast(t *testing.T) {
	for tone, name := range coloured {
		letters, ground, ok := tone.Colours()
		if !ok {
			t.Fatalf("%s: no colours", name)
		}
		full := contrast(letters.RGB, ground.RGB)
		cube := contrast(indexed(t, letters.Indexed), indexed(t, ground.Indexed))
		t.Logf("%s: %.1f:1 in true colour, %.1f:1 in 256", name, full, cube)
		if full < 4.5 || cube < 4.5 {
			t.Errorf("%s: contrast %.2f and %.2f, want 4.5", name, full, cube)
		}
	}
}

// The index of the 256 must be the nearest of the cube in CIE 1976 distance
// that keeps the contrast, so that the tones keep their hue.
func TestIndexedIsNear(t *testing.T) {
	for tone, name := range coloured {
		letters, ground, _ := tone.Colours()
		want := rgb(ground.RGB)
		best, at := math.Inf(1), 0
		for i := 16; i < 232; i++ {
			if contrast(letters.RGB, indexed(t, uint8(i))) < 4.5 {
				continue
			}
			if d := want.DistanceLab(rgb(indexed(t, uint8(i)))); d < best {
				best, at = d, i
			}
		}
		got := want.DistanceLab(rgb(indexed(t, ground.Indexed)))
		if got > best+1e-9 {
			t.Errorf("%s: index %d at %.3f, but %d at %.3f is nearer", name, ground.Indexed, got, at, best)
		}
	}
}

func TestStyle(t *testing.T) {
	for _, c := range []struct {
		name  string
		depth term.Depth
		tone  term.Tone
		want  string
	}{
		{"no colour", term.Colourless, term.Failed, ""},
		{"no colour, no bold", term.Colourless, term.Strong, ""},
		{"plain", term.TrueColour, term.Plain, ""},
		{"bold", term.Sixteen, term.Strong, "\x1b[1m"},
		{"16: black on green", term.Sixteen, term.Passed, "\x1b[30;42m"},
		{"16: black on bright yellow", term.Sixteen, term.Hold, "\x1b[30;103m"},
		{"16: white on blue", term.Sixteen, term.Action, "\x1b[97;44m"},
		{"256", term.Indexed, term.Action, "\x1b[38;5;231;48;5;25m"},
		{"true colour", term.TrueColour, term.Passed, "\x1b[38;2;0;0;0;48;2;0;158;115m"},
	} {
		t.Run(c.name, func(t *testing.T) {
			want := c.want + "x"
			if c.want != "" {
				want += "\x1b[0m"
			}
			if got := c.tone.Style(term.Renderer(c.depth)).Render("x"); got != want {
				t.Errorf("got %q, want %q", got, want)
			}
		})
	}
}

func TestDepthOf(t *testing.T) {
	for _, c := range []struct {
		name string
		env  map[string]string
		want term.Depth
	}{
		{"true colour", map[string]string{"TERM": "xterm-256color", "COLORTERM": "truecolor"}, term.TrueColour},
		{"256", map[string]string{"TERM": "xterm-256color"}, term.Indexed},
		{"tmux", map[string]string{"TERM": "tmux-256color"}, term.Indexed},
		{"16", map[string]string{"TERM": "linux"}, term.Sixteen},
		{"dumb", map[string]string{"TERM": "dumb"}, term.Colourless},
		{"NO_COLOR", map[string]string{"TERM": "xterm-256color", "NO_COLOR": "1"}, term.Colourless},
		{"NO_COLOR wins", map[string]string{"TERM": "xterm-256color", "NO_COLOR": "1", "CLICOLOR_FORCE": "1"}, term.Colourless},
		{"NO_COLOR empty counts as unset", map[string]string{"TERM": "xterm-256color", "NO_COLOR": ""}, term.Indexed},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := term.DepthFrom(environ(c.env)); got != c.want {
				t.Errorf("got %d, want %d", got, c.want)
			}
		})
	}
	if got := term.DepthOf(new(bytes.Buffer)); got != term.Colourless {
		t.Errorf("what is no terminal: got %d", got)
	}
}

type environ map[string]string

func (e environ) Environ() []string        { return nil }
func (e environ) Getenv(key string) string { return e[key] }

var _ termenv.Environ = environ(nil)
