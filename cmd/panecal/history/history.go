package history

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"example.org/panecal/station/papers"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Schema names the JSON form of Summary.
const Schema = "panecal.history/1"

// Options say what history to make.
type Options struct {
	Store    string // folder of the store; must not exist or be empty
	Station  string
	Software string // version, as records have it
	Attempts int    // on record, all purposes
	Captures int    // of these, the last ones that are simulated down to their photons
	Days     int    // over which they are spread; 0: 1,200 a day
	Seed     uint64
	End      time.Time        // of the last day; the zero value is a day of its own
	Files    papers.Catalogue // of both products, for this station
	Truth    io.Writer        // a line an attempt; nil for none
	Progress func(attempts int)
}

// Summary tells what was made.
type Summary struct {
	Schema   string                 `json:"schema"`
	Station  string                 `json:"station"`
	Folder   string                 `json:"folder"`
	Seed     uint64                 `json:"seed"`
	Attempts int                    `json:"attempts"`
	Captures int                    `json:"captures"` // attempts with raw captures
	Days     int                    `json:"days"`
	From     time.Time              `json:"from"`
	To       time.Time              `json:"to"`
	Units    int                    `json:"units"`
	Records  uint64                 `json:"records"`
	Head     string                 `json:"head"` // hash of the last record
	Outcomes map[record.Outcome]int `json:"outcomes"`
	Purposes map[record.Purpose]int `json:"purposes"`
	Products map[string]int         `json:"products"`
	Bins     map[string]int         `json:"bins"`
	Limits   map[string]string      `json:"limits"` // revision in force of each product
	Causes   []Cause                `json:"causes"` // that may be planted
}

func (s *Summary) count(a *record.Attempt) {
	s.Attempts++
	s.Outcomes[a.Outcome]++
	s.Purposes[a.Run.Purpose]++
	s.Products[a.Run.Product.Name]++
	s.Bins[a.Judgement.SoftName]++
}

// written is how long after its end an attempt is on record.
const written = 100 * time.Microsecond

const perDay = 1200

// lastDay is when a history ends that is told no end.
func lastDay() time.Time { return time.Date(2026, 9, 30, 0, 0, 0, 0, time.UTC) }

// Check refuses what cannot be made.
func (o *Options) Check() error {
	if o.Days == 0 {
		o.Days = max(1, (o.Attempts+perDay-1)/perDay)
	}
	const most, mostDays = 10_000_000, 3650
	switch {
	case o.Attempts < 1 || o.Attempts > most:
		return fmt.Errorf("%d attempts: want 1 to %d", o.Attempts, most)
	case o.Days < 1 || o.Days > mostDays || o.Days > o.Attempts:
		return fmt.Errorf("%d days for %d attempts: want 1 to %d, and no more than attempts", o.Days, o.Attempts, mostDays)
	case o.Captures < 0 || o.Captures > o.Attempts:
		return fmt.Errorf("%d of %d attempts with raw captures", o.Captures, o.Attempts)
	}
	return nil
}

// Write makes the store. What was begun when ctx ends, or when anything goes
// wrong, is not there.
func Write(ctx context.Context, o Options) (Summary, error) {
	if err := o.Check(); err != nil {
		return Summary{}, err
	}
	if o.End.IsZero() {
		o.End = lastDay()
	}
	t := newTruth(o.Truth)
	var l *line
	begins := (&line{o: &o}).begins()
	// Another number of attempts is another log: readers that remember this one
	// must not take it for a rewritten one.
	identity := sha256.Sum256(fmt.Appendf(nil, "panecal history %q %q %d %d %d %d", o.Software, o.Station, o.Seed, o.Attempts, o.Captures, o.Days))
	err := store.Build(o.Store, store.Options{Station: o.Station, Now: func() time.Time { return begins }, Random: rand.NewChaCha8(identity)}, func(b *store.Builder) (err error) {
		if l, err = newLine(&o, b, t); err != nil {
			return err
		}
		return l.work(ctx)
	})
	if err != nil {
		return Summary{}, err
	}
	if err := t.flush(); err != nil {
		return Summary{}, fmt.Errorf("writing the truth: %w", err)
	}
	return l.summary, nil
}
