package upkeep

import (
	"crypto/rand"
	"fmt"
	"os"
	"runtime"
	"time"

	"example.org/panecal/station/papers"
	"example.org/panecal/store/record"
)

// Log is where records go; *store.Store is one.
type Log interface {
	Append(record.Body) (record.Ref, error)
}

// Start says with what a station was started.
type Start struct {
	Software      string
	Command       string
	Files         papers.Catalogue
	Roster        record.Revision // zero for none
	Configuration string          // path
}

// PutOnRecord puts the start on record.
func (s Start) PutOnRecord(log Log, now time.Time) error {
	b := &record.Start{Clock: now.UTC(), Software: s.Software, Command: s.Command, Runtime: runtime.Version() + " " + runtime.GOOS + "/" + runtime.GOARCH}
	rand.Read(b.Random[:]) // it never fails
	b.Host, _ = os.Hostname()
	file := func(kind string, r record.Revision) {
		d := record.Document{Kind: kind, Revision: r}
		for _, known := range b.Files {
			if known == d {
				return // a sheet belongs to all products
			}
		}
		b.Files = append(b.Files, d)
	}
	for _, f := range s.Files {
		product, limits, sheet := f.Revisions()
		file("product", product)
		file("limits", limits)
		file("sheet", sheet)
	}
	if s.Roster != (record.Revision{}) {
		file("roster", s.Roster)
	}
	if data, err := os.ReadFile(s.Configuration); err == nil {
		file("configuration", record.Revision{Name: s.Configuration, Rev: record.HashOf(data).String()})
	}
	if _, err := log.Append(b); err != nil {
		return fmt.Errorf("recording that the station was started: %w", err)
	}
	return nil
}
