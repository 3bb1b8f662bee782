package release

import (
	"errors"
	"fmt"
	"time"
)

// Why a document is not in force.
var (
	ErrEarly = errors.New("not yet effective")
	ErrEnded = errors.New("no longer effective")
)

// InForce is nil from Effective on and before Until, else ErrEarly or ErrEnded
// with the revision, the time and who can mend it.
func (d *Document) InForce(now time.Time) error {
	about := fmt.Sprintf("%s %.12s of %s", d.Kind, d.Revision, d.by())
	stamp := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	if now.Before(d.Effective) {
		return fmt.Errorf("%w: %s holds from %s on: keep the revision before it until then", ErrEarly, about, stamp(d.Effective))
	}
	if !d.Until.IsZero() && !now.Before(d.Until) {
		return fmt.Errorf("%w: %s held until %s: ask its author for a new revision", ErrEnded, about, stamp(d.Until))
	}
	return nil
}

func (d *Document) by() string {
	if d.Author == "" {
		return "an unnamed author"
	}
	return d.Author
}
