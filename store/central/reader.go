package central

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"

	"example.org/panecal/store/record"
)

// ErrPersons: the login may not see persons, and the question wants one.
var ErrPersons = errors.New("this login sees no persons")

// rowsAtATime is how many attempts are read in one go.
const rowsAtATime = 4000

// Reader answers questions from a history as a [store.Follower] does from a station's
// log. Where a filter names a station, the answer is what that station's log says; else
// the stations follow one another by name, and what becomes of a unit is decided by all
// of them, in the order of time.
//
// A login that sees no persons gets attempts without their operator, and no records.
type Reader struct {
	ctx     context.Context
	conn    *pgx.Conn
	unpack  *zstd.Decoder
	persons bool
	only    string              // the station that is asked about, "" for all
	checks  map[record.Ref]bool // the check runs among the positions told last
}

// OpenReader opens one. It answers until ctx ends.
func OpenReader(ctx context.Context, t *Target) (*Reader, error) {
	c, err := t.connect(ctx)
	if err != nil {
		return nil, err
	}
	r := &Reader{ctx: ctx, conn: c}
	err = current(ctx, c)
	if err == nil {
		err = c.QueryRow(ctx, "select has_column_privilege('panecal.attempts', 'operator', 'select') and has_column_privilege('panecal.records', 'data', 'select')").Scan(&r.persons)
	}
	if err == nil {
		r.unpack, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(record.MaxSize))
	}
	if err != nil {
		return nil, errors.Join(err, c.Close(context.WithoutCancel(ctx)))
	}
	return r, nil
}

// Close closes the connection.
func (r *Reader) Close() error {
	r.unpack.Close()
	return r.conn.Close(context.WithoutCancel(r.ctx))
}

// Persons says whether the login sees persons.
func (r *Reader) Persons() bool { return r.persons }

// Only has records and positions answered from one station's log alone; "" is all of
// them.
func (r *Reader) Only(station string) { r.only = station }

// Stations returns the names of the stations whose logs are here.
func (r *Reader) Stations() ([]string, error) {
	return collect[string](r, "select station from panecal.batches group by station order by station")
}

func collect[T any](r *Reader, sql string, args ...any) ([]T, error) {
	rows, err := r.conn.Query(r.ctx, sql, args...)
	if err != nil {
		return nil, r.failed(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[T])
	return list, r.failed(err)
}

func (r *Reader) failed(err error) error {
	switch {
	case err == nil:
		return nil
	case hasCode(err, noPrivilege):
		return fmt.Errorf("%w: ask for a login that `panecal central admit --reads persons` let in: %w", ErrPersons, err)
	}
	return fmt.Errorf("asking the history: %w", err)
}
