package label

import (
	"fmt"
	"strings"
)

// Why says what is wrong with a scan.
type Why string

// The reasons.
const (
	Empty      Why = "nothing was scanned"
	TooLong    Why = "the label is too long"
	Unprinted  Why = "the scan has a character that no label has"
	CutOff     Why = "the message on the label is cut off"
	BadFormat  Why = "the message on the label is of a kind that is not read here"
	BadField   Why = "the label has a field that cannot be read"
	Twice      Why = "the label says the same thing twice and differently"
	NoSerial   Why = "the label has no serial"
	NoFit      Why = "the serial does not fit the product's pattern"
	CheckWrong Why = "the check character is wrong"
)

// Whys returns every reason.
func Whys() []Why {
	return []Why{Empty, TooLong, Unprinted, CutOff, BadFormat, BadField, Twice, NoSerial, NoFit, CheckWrong}
}

// Refusal says why a scan is not taken. At is the place of the character at
// fault in Text, from 1; 0 where there is none.
type Refusal struct {
	Why    Why
	Text   string // what At counts in: the scan, or the serial
	At     int
	Detail string // "" where Why says it all
}

// Error shows reason, detail and the character at fault, control characters
// by name.
func (r *Refusal) Error() string {
	var b strings.Builder
	b.WriteString(string(r.Why))
	if r.Detail != "" {
		b.WriteString(": " + r.Detail)
	}
	switch {
	case r.At > len(r.Text) && r.At > 0:
		fmt.Fprintf(&b, ": %s ends after %d characters", Show(r.Text), len(r.Text))
	case r.At > 0:
		fmt.Fprintf(&b, ": character %d of %s is %s", r.At, Show(r.Text), Show(r.Text[r.At-1:r.At]))
	}
	return b.String()
}

// showBytes bounds what Show shows.
const showBytes = 64

// Show writes a scan for people: control characters by their names, such as
// <GS>, other bytes outside ASCII in hex, long ones cut.
func Show(scan string) string {
	var b strings.Builder
	for i := range len(scan) {
		if i == showBytes {
			b.WriteString("…")
			break
		}
		switch c := scan[i]; {
		case c >= 0x20 && c < 0x7f:
			b.WriteByte(c)
		case c < 0x20:
			fmt.Fprintf(&b, "<%s>", controls[c])
		default:
			fmt.Fprintf(&b, "<%02X>", c)
		}
	}
	return b.String()
}

// controls are the names of the control characters in ASCII (ISO/IEC 646).
var controls = [32]string{
	"NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI",
	"DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS", "US",
}
