package station

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/label"
)

// Arg is one thing that a sentence names, typed, so that each language says it
// in its own words. String is how records and logs have it. Args are compared
// with ==. Beside the types below, a [Step], a time.Duration and a
// label.Layout are ones.
type Arg = fmt.Stringer

// said is an argument as records and logs have it, "" for none.
func said(a Arg) string {
	if a == nil {
		return ""
	}
	return a.String()
}

// Verbatim is shown as it is in every language: a name, a number in hex, the
// chain of an error, what stands on record.
type Verbatim string

func (v Verbatim) String() string { return string(v) }

// Count is how many.
type Count int

func (c Count) String() string { return strconv.Itoa(int(c)) }

// Between is a range of versions, both ends included.
type Between struct{ Low, High int }

func (b Between) String() string { return fmt.Sprintf("%d to %d", b.Low, b.High) }

// Clock is a time of day at the site, such as 15:04.
type Clock string

func (c Clock) String() string { return string(c) }

// Day is a date, such as 2036-01-31.
type Day string

func (d Day) String() string { return string(d) }

// Age is how long ago something began, to the minute below a day, to the hour above.
type Age time.Duration

func (a Age) String() string {
	minutes := int(time.Duration(max(a, 0)) / time.Minute)
	switch h := minutes / 60; {
	case h >= 24:
		return fmt.Sprintf("%d d %d h", h/24, h%24)
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, minutes%60)
	}
	return fmt.Sprintf("%d min", minutes)
}

// InBox is the number of the box that a unit lies in.
type InBox string

func (b InBox) String() string { return "box " + string(b) }

// NestName is a nest beside the one that the sentence speaks of.
type NestName string

func (n NestName) String() string { return string(n) }

// Side is the limit that did not hold.
type Side uint8

// The sides.
const (
	Unknown Side = iota // as on record, which has the name alone
	NotMeasured
	TooLow
	TooHigh
)

// OutOfLimits is a quantity that did not hold its limit.
type OutOfLimits struct {
	Name quantity.Name
	Side Side
}

func (o OutOfLimits) String() string { return string(o.Name) }

// outOfLimits finds the side of the limit that decided.
func outOfLimits(j limits.Judgement) Arg {
	o := OutOfLimits{j.Decided, NotMeasured}
	for _, l := range j.Lines {
		if l.Name == j.Decided && l.Measured {
			o.Side = TooLow
			if l.HeldHigh > l.High { // false where that side is open
				o.Side = TooHigh
			}
		}
	}
	return o
}

// BinName is a soft bin, by its name in the limits file and by its text for
// people.
type BinName struct {
	Name string
	Text limits.Text
}

func (b BinName) String() string { return b.Name }

// binName is a soft bin of the limits in force.
func (f *Files) binName(name string) BinName {
	b, _ := f.Limits.Bin(name)
	return BinName{name, b.Text}
}

// Misread says why a scan is no label. Operators are not shown the pattern.
type Misread struct{ label.Refusal }

func (m Misread) String() string { return m.Error() }

// Seen says where the other unit of a contradiction was seen.
type Seen struct {
	Label, UnitID string
	At            time.Time // UTC
	Nest          string
	Bin           int
	Where         Arg // it lies now, nil where nobody knows
}

// SeenTime is how times on record are shown.
const SeenTime = "2006-01-02T15:04:05Z"

func (s Seen) String() string {
	text := fmt.Sprintf("label %s, unit %s, %s, %s, bin %d", s.Label, s.UnitID, s.At.Format(SeenTime), s.Nest, s.Bin)
	if s.Where != nil {
		text += ", now in " + s.Where.String()
	}
	return text
}

// Both is one argument after the other.
type Both struct{ First, Second Arg }

func (b Both) String() string { return said(b.First) + "; " + said(b.Second) }

// both adds an argument to those before, if any.
func both(a, b Arg) Arg {
	if a == nil {
		return b
	}
	return Both{a, b}
}

// Because is a reason with what its text names.
type Because struct {
	Reason Reason
	A, B   Arg
}

func (b Because) String() string {
	return strings.NewReplacer("{a}", said(b.A), "{b}", said(b.B)).Replace(b.Reason.Text())
}
