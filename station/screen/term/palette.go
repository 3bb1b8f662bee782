package term

import (
	"io"
	"strconv"

	"github.com/charmbracelet/lipgloss"
	"github.com/muesli/termenv"
)

// Tone is what a piece of the screen means. Each tone has colours of its own,
// and never colour alone: whoever uses one also gives it a word, a border and
// a place.
type Tone uint8

// The tones.
const (
	Plain  Tone = iota // the terminal's own colours
	Strong             // the terminal's own colours, bold
	Passed
	Failed
	Hold   // hold, warning, refusal
	Action // the hands have to do something
)

// Depth is how many colours a terminal shows.
type Depth = termenv.Profile

// The depths. Colourless writes no escape sequence at all.
const (
	Colourless = termenv.Ascii
	Sixteen    = termenv.ANSI
	Indexed    = termenv.ANSI256 // 256
	TrueColour = termenv.TrueColor
)

// DepthOf tells the depth of the terminal out, by the environment: NO_COLOR,
// if set and not empty, wins over everything; then CLICOLOR, CLICOLOR_FORCE,
// COLORTERM and TERM count. What is no terminal is colourless. It asks the
// terminal nothing.
func DepthOf(out io.Writer) Depth { return termenv.NewOutput(out).EnvColorProfile() }

// Renderer styles texts for a terminal of that depth. A program has one.
func Renderer(d Depth) *lipgloss.Renderer {
	r := lipgloss.NewRenderer(io.Discard)
	r.SetColorProfile(d)
	r.SetHasDarkBackground(true) // asks the terminal nothing: no tone depends on it
	return r
}

// Colour is one colour in the three ways terminals take it: red, green and
// blue; an index of the 256; an index of the terminal's own 16.
type Colour struct {
	RGB     [3]uint8
	Indexed uint8
	Sixteen uint8
}

// Colours returns the letters' and the ground's colour of a tone, and false
// for the tones that keep the terminal's own.
//
// The four grounds are hues of Okabe and Ito (2008), which stay apart for the
// common kinds of colour blindness; they keep the sense that IEC 60073 gives
// their families (green normal, red fault, yellow abnormal, blue mandatory
// action).
func (t Tone) Colours() (letters, ground Colour, ok bool) {
	black := Colour{RGB: [3]uint8{0, 0, 0}, Indexed: 16, Sixteen: 0}
	white := Colour{RGB: [3]uint8{255, 255, 255}, Indexed: 231, Sixteen: 15}
	switch t {
	case Passed:
		return black, Colour{RGB: [3]uint8{0x00, 0x9E, 0x73}, Indexed: 36, Sixteen: 2}, true
	case Failed:
		return black, Colour{RGB: [3]uint8{0xD5, 0x5E, 0x00}, Indexed: 166, Sixteen: 9}, true
	case Hold:
		return black, Colour{RGB: [3]uint8{0xF0, 0xE4, 0x42}, Indexed: 227, Sixteen: 11}, true
	case Action:
		return white, Colour{RGB: [3]uint8{0x00, 0x72, 0xB2}, Indexed: 25, Sixteen: 4}, true
	}
	return Colour{}, Colour{}, false
}

// Style is the tone for texts and borders.
func (t Tone) Style(r *lipgloss.Renderer) lipgloss.Style {
	s := r.NewStyle()
	if t == Strong {
		return s.Bold(true)
	}
	if letters, ground, ok := t.Colours(); ok && r.ColorProfile() != Colourless {
		s = s.Foreground(letters.complete()).Background(ground.complete()).
			BorderForeground(letters.complete()).BorderBackground(ground.complete())
	}
	return s
}

func (c Colour) complete() lipgloss.CompleteColor {
	hex := "#"
	for _, part := range c.RGB {
		hex += strconv.FormatUint(0x100|uint64(part), 16)[1:]
	}
	return lipgloss.CompleteColor{TrueColor: hex, ANSI256: strconv.Itoa(int(c.Indexed)), ANSI: strconv.Itoa(int(c.Sixteen))}
}
