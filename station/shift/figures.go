package shift

import (
	"strings"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/roster"
)

// site is where times of day are read.
func (r *Rules) site() *time.Location {
	if r.Site == nil {
		return time.Local
	}
	return r.Site
}

// isBox tells whether a text is the number of a box, while one is wanted: it is
// neither a label of a unit or a nest nor a command.
func (d *dialog) isBox(text string, snap station.Snapshot) bool {
	text = strings.TrimSpace(text)
	if !snap.Box.Wanted() || text == "" || d.isLabel(text) || !whole(d.rules.Box, text) {
		return false
	}
	if d.rules.Book != nil && d.rules.Box == nil && roster.IsPIN(text) { // somebody's, typed where none is asked for
		return false
	}
	for i := range snap.Nests {
		if strings.EqualFold(snap.Nests[i].Name, text) {
			return false
		}
	}
	return true
}

// openBox opens a box, and puts units into it that waited, as many as it takes. A
// box that was full is not opened again.
func (d *dialog) openBox(number string, snap station.Snapshot) []deed {
	if number == snap.Box.Number {
		return []deed{Reply{Code: BoxAgain, Text: number}}
	}
	units := snap.Unboxed[:min(len(snap.Unboxed), snap.Box.Size)]
	return []deed{boxed{number, d.set.WorkOrder, snap.Box.Size, units}, Reply{Code: BoxOpen, Text: number, Done: true}}
}

// hearPause is an entry while nobody works: the command once more, or "go on", ends
// the pause. A badge ends it too, and is heard after that.
func (d *dialog) hearPause(in Input, snap station.Snapshot) []deed {
	d.pages = nil
	switch {
	case in.Kind == Go:
		return []deed{rested{false}}
	case d.isBadge(in.Text):
		return append([]deed{rested{false}}, d.take(in, snap)...)
	}
	d.pages = []Page{{Kind: PausePage}}
	return []deed{Reply{Code: PageFirst, Text: strings.TrimSpace(in.Text)}}
}

// holds are the rows of the units on hold, what matters most first: which, for how
// long, in which box, since when.
func (d *dialog) holds(snap station.Snapshot, at time.Time) [][]station.Arg {
	var rows [][]station.Arg
	for _, u := range snap.Holds {
		var box station.Arg
		if u.Box != "" {
			box = station.InBox(u.Box)
		}
		rows = append(rows, []station.Arg{station.Verbatim(u.Serial), station.Age(at.Sub(u.Since)), box,
			station.Verbatim(u.Since.In(d.rules.site()).Format("2006-01-02 15:04"))})
	}
	return rows
}

// training says that the training, or the badge, of who signs on ends soon.
func (d *dialog) training(id string, at time.Time) []deed {
	if d.rules.Book == nil {
		return nil
	}
	p, _ := d.rules.Book.Person(id)
	least := -1
	for _, day := range []interface {
		IsZero() bool
		Left(time.Time, *time.Location) int
	}{p.TrainedUntil, p.ValidUntil} {
		if day.IsZero() {
			continue
		}
		if left := day.Left(at, d.rules.Book.Site); left >= 0 && (least < 0 || left < least) {
			least = left
		}
	}
	if most := station.WarnedBefore(); least < 0 || least > most[len(most)-1] {
		return nil
	}
	return []deed{Reply{Code: TrainingEnds, Text: station.Count(least).String()}}
}
