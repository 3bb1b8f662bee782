package screen

import (
	"strconv"
	"strings"
)

// FaultKind says what is wrong with what was entered.
type FaultKind uint8

// The kinds of fault.
const (
	NoFault FaultKind = iota
	TooLong
	Unfinished
	UnfinishedScan // text typed before a scan
	HoldsEscape
	HoldsControl
	NoUTF8
	faultKinds
)

// Fault says why what was entered is no label. N is the byte at fault, or the
// length that is too long.
type Fault struct {
	Kind FaultKind
	N    int
}

// faultTexts are the faults in English, as a part of a sentence; {n} is N.
var faultTexts = [faultKinds]string{
	TooLong:        "longer than {n} characters",
	Unfinished:     "left unfinished",
	UnfinishedScan: "left unfinished before a scan",
	HoldsEscape:    "it holds an escape; set the scanner's prefix to none",
	HoldsControl:   "it holds the control character {n}",
	NoUTF8:         "byte {n} is no UTF-8; check the scanner's character set",
}

func (f Fault) String() string { return f.in(faultTexts[f.Kind]) }

// in puts N into a text: bytes in hex.
func (f Fault) in(text string) string {
	n := strconv.Itoa(f.N)
	if f.Kind != TooLong {
		n = strings.ToUpper(strconv.FormatInt(int64(f.N)|0x100, 16)[1:])
	}
	return fill(text, "n", n)
}
