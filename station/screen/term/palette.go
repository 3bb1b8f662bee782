package term

import (
	"fmt"
	"io"
	"strconv"

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
type Depth uint8

// The depths. Colourless writes no escape sequence at all.
const (
	Colourless Depth = iota
	Sixteen
	Indexed // 256
	TrueColour
)

// DepthOf tells the depth of the terminal out, by the environment: NO_COLOR,
// if set and not empty, wins over everything; then CLICOLOR, CLICOLOR_FORCE,
// COLORTERM and TERM count. What is no terminal is colourless. It asks the
// terminal nothing.
func DepthOf(out io.Writer) Depth {
	return depthOf(termenv.NewOutput(out))
}

func depthOf(out *termenv.Output) Depth {
	switch out.EnvColorProfile() {
	case termenv.TrueColor:
		return TrueColour
	case termenv.ANSI256:
		return Indexed
	case termenv.ANSI:
		return Sixteen
	}
	return Colourless
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

// Start returns the escape sequence that begins text of tone t at depth d, ""
// if none is needed. It presumes that nothing else is in force: End ends it.
func (d Depth) Start(t Tone) string {
	if d == Colourless {
		return ""
	}
	letters, ground, ok := t.Colours()
	if !ok {
		if t == Strong {
			return "\x1b[1m"
		}
		return ""
	}
	switch d {
	case TrueColour:
		return fmt.Sprintf("\x1b[38;2;%d;%d;%d;48;2;%d;%d;%dm", letters.RGB[0], letters.RGB[1], letters.RGB[2],
			ground.RGB[0], ground.RGB[1], ground.RGB[2])
	case Indexed:
		return fmt.Sprintf("\x1b[38;5;%d;48;5;%dm", letters.Indexed, ground.Indexed)
	}
	return "\x1b[" + sixteen(30, letters.Sixteen) + ";" + sixteen(40, ground.Sixteen) + "m"
}

// sixteen returns the parameter for one of the terminal's own colours, base
// 30 for letters and 40 for the ground; the bright eight lie 60 higher.
func sixteen(base int, c uint8) string {
	if c >= 8 {
		return strconv.Itoa(base + 60 + int(c) - 8)
	}
	return strconv.Itoa(base + int(c))
}

// End returns the sequence that ends what Start began, "" if that was "".
func (d Depth) End(t Tone) string {
	if d.Start(t) == "" {
		return ""
	}
	return "\x1b[0m"
}
