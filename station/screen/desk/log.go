package desk

import (
	"context"
	"errors"

	"example.org/panecal/limits"
	"example.org/panecal/limits/whatif"
)

// ErrEmpty says that a log has no attempt to choose.
var ErrEmpty = errors.New("the log has no attempts yet")

// Choice says which attempts are looked at.
type Choice struct {
	Text    string // the flags of `panecal export`, as typed
	Product string // of all of them
}

// Log is what the desk reads. Its methods may take long; they end when their
// context does. They are called from one goroutine at a time.
type Log interface {
	// Choose reads flags, and settles on one product: that of the newest attempt
	// where none is named. ErrEmpty if there is no attempt at all.
	Choose(ctx context.Context, text string) (Choice, error)
	// InForce is the limits that the product's newest attempt was held against.
	InForce(ctx context.Context, product string) (*limits.File, error)
	// Scan gives the attempts in log order, those where picked is true; besides what
	// whatif.Rows names there are "time_ns" and the columns of Groupings. It tells
	// progress how many parts of how many it went through, and returns the zone
	// values of about so many of the attempts.
	Scan(ctx context.Context, c Choice, sample int, each func(b whatif.Rows, picked []bool) error, progress func(done, total int)) ([]whatif.Unit, error)
	// Checks gives the attempts of check units in the same way: the choice's, but for
	// purpose and number of the attempt.
	Checks(ctx context.Context, c Choice, each func(b whatif.Rows, picked []bool) error) error
	// Export writes the attempts into a file, CSV or JSON Lines by its ending, whole
	// or not at all.
	Export(ctx context.Context, c Choice, path string) error
	// WriteText writes a text into a file in the same way.
	WriteText(path, text string) error
	// Newest names the newest record of the log.
	Newest(ctx context.Context) (uint64, error)
}
