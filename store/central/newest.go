package central

import (
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Newest returns when a station's newest record was appended, the zero time for none.
func (r *Reader) Newest(station string) (time.Time, error) {
	var at time.Time
	err := r.conn.QueryRow(r.ctx, "select time from panecal.records where station = $1 order by time desc limit 1", station).Scan(&at)
	if errors.Is(err, pgx.ErrNoRows) {
		return time.Time{}, nil
	}
	return at.UTC(), r.failed(err)
}

// Held returns how many units a station's log has on hold.
func (r *Reader) Held(station string) (int, error) {
	s, err := r.standings(station, true, nil)(station)
	if err != nil {
		return 0, err
	}
	return s.Held(), nil
}

// Records gives each record of one kind, which is the topic that the history is asked
// by here; see [store.Reader.Records].
func (r *Reader) Records(t store.Topic, term string, each func(record.Entry) error) error {
	for _, kind := range record.Kinds() {
		if t != store.Kind || kind.String() != term {
			continue
		}
		list, err := r.entries("kind > 3 and kind = ?", int16(kind))
		if err != nil {
			return err
		}
		for _, e := range list {
			if err := each(e); err != nil {
				return err
			}
		}
		return nil
	}
	return fmt.Errorf("the history is not asked for %q by topic %c", term, t)
}
