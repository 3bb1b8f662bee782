package desk

import (
	"context"
	"time"

	"example.org/panecal/station/figure"
)

// Found is an attempt in the list of those that were found.
type Found struct {
	Serial      string
	AttemptNo   int
	Generation  uint32
	Sequence    uint64
	Time        time.Time
	Purpose     string
	Outcome     string
	Disposition string // of its own verdict, or what was said later
	Bin         string
	Nest        string
}

// Past is what the analyst's pages read. Its methods may take long; they end when
// their context does. All but Dossier are called from one goroutine at a time.
type Past interface {
	// Find gives attempts, the newest first, at most so many. The text is a serial, a
	// part of one or a unit's identity, and flags of `panecal find`; "" is all.
	Find(ctx context.Context, text string, most int) ([]Found, error)
	// Timeline is the history of the attempt's unit as text of 80 columns.
	Timeline(ctx context.Context, f Found) (string, error)
	// Maps are the zone maps of the attempt.
	Maps(ctx context.Context, f Found) ([]figure.ZoneMap, error)
	// Histogram is the raw capture, "empty" or "target", of a zone, from 1.
	Histogram(ctx context.Context, f Found, zone int, capture string) (figure.Histogram, error)
	// Compare holds the attempt against its population, as text of 80 columns.
	Compare(ctx context.Context, f Found) (string, error)
	// Dossier writes the report about the unit into a file. It uses nothing that the
	// others use.
	Dossier(ctx context.Context, f Found, path string) error
}
