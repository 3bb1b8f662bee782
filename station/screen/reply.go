package screen

import (
	"example.org/panecal/station"
	"example.org/panecal/station/shift"
)

// said is what the screen has to say itself, or the shift has. done: what was
// asked for is done; otherwise it wants attention.
type said struct {
	text string
	done bool
}

// reply says what the shift answers.
func (l *Language) reply(r shift.Reply) said {
	return said{l.replied(r), r.Done}
}

func (l *Language) replied(r shift.Reply) string {
	w := &l.words
	short := squeeze(r.Text, 24, false)
	switch r.Code {
	case shift.BadBadge:
		return fill(w.badBadge, "text", short)
	case shift.BadNumber:
		return fill(w.badNumber, "text", short)
	case shift.BadOrder:
		return fill(w.badOrder, "text", short)
	case shift.BadLot:
		return fill(w.badLot, "text", short)
	case shift.UnitLabel:
		return fill(w.unitLabel, "text", short)
	case shift.PageFirst:
		return fill(w.pageFirst, "text", short)
	case shift.NoLabelOpen:
		return w.noLabelOpen
	case shift.BadRework:
		return fill(w.badRework, "text", short, "list", r.Label)
	case shift.UnknownCommand:
		return fill(w.unknownCommand, "text", r.Text)
	case shift.NothingToSkip:
		return w.nothingToSkip
	case shift.SkipAgain:
		return fill(w.skipAgain, "nest", l.aloud(r.Nest))
	case shift.NoEmitter:
		return w.noEmitter
	case shift.PowerAgain:
		return fill(w.powerAgain, "nest", l.aloud(r.Nest))
	case shift.Settled:
		return l.settings(r.Settings)
	case shift.Noted:
		return w.noted
	case shift.Reworked:
		return fill(w.reworked, "text", r.Text, "label", r.Label)
	case shift.NotRecorded:
		return fill(w.notRecorded, "text", r.Text)
	case shift.ScannerLost:
		return w.scannerLost
	case shift.ScannerBack:
		return w.scannerBack
	}
	text, ok := l.fig.replies[r.Code]
	if !ok {
		text = l.people.replies[r.Code]
	}
	return fill(text, "text", r.Text, "label", r.Label)
}

// settings says what holds for the units that follow.
func (l *Language) settings(s shift.Settings) string {
	or := func(text string) string {
		if text == "" {
			return "-"
		}
		return text
	}
	return fill(l.words.settings, "order", or(s.WorkOrder), "n", or(s.Of(shift.QuantityPage)), "window", or(s.WindowLot),
		"gasket", or(s.GasketLot), "emitter", or(s.EmitterLot))
}

// Cautions are what has to be confirmed at sign-on, line by line.
func (l *Language) Cautions() []string { return l.lines(&shift.Page{Kind: shift.CautionPage}) }

// reasons says which soft bins most failed units went to, "" for none.
func (l *Language) reasons(c station.Counters, most int) string {
	if list := l.tallies(c.Bins, most); list != "" {
		return fill(l.words.reasons, "list", list)
	}
	return ""
}
