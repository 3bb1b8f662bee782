package central

import (
	"context"
	"errors"
	"fmt"
	"sort"

	"github.com/jackc/pgx/v5"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Log is what a forwarder reads: a follower of a station's log.
type Log interface {
	Identity() (record.Hash, error)
	Ends() (head record.Ref, began uint64, err error)
	Numbered(sequence uint64) (record.Ref, error)
	Carry(after record.Ref, most, bytes int) ([]store.Carried, error)
}

// end is the last batch that a history has of a log.
type end struct {
	generation uint32
	sequence   uint64
	hash       record.Hash
}

func lastBatch(ctx context.Context, c querier, station string, log record.Hash) (e end, found bool, err error) {
	var generation int32
	var sequence int64
	var hash []byte
	err = c.QueryRow(ctx, `select generation, last_sequence, hash_after from panecal.batches where station = $1 and log = $2
		order by generation desc, last_sequence desc limit 1`, station, log[:]).Scan(&generation, &sequence, &hash)
	if errors.Is(err, pgx.ErrNoRows) {
		return e, false, nil
	}
	if err != nil {
		return e, false, fmt.Errorf("reading how far the log was carried: %w", err)
	}
	e.generation, e.sequence = uint32(generation), uint64(sequence)
	copy(e.hash[:], hash)
	return e, true, nil
}

// position returns the last record of a log that the history has, the zero Ref for
// none, or the Incident why the log does not follow from it.
func position(ctx context.Context, c querier, l Log, log record.Hash) (record.Ref, error) {
	head, _, err := l.Ends()
	if err != nil {
		return record.Ref{}, err
	}
	at, found, err := lastBatch(ctx, c, head.Station, log)
	if err != nil {
		return record.Ref{}, err
	}
	if !found {
		return record.Ref{}, otherLog(ctx, c, head, log)
	}
	wrong := func(f store.Fault, first, last uint64, format string, args ...any) (record.Ref, error) {
		return record.Ref{}, &Incident{Fault: f, Station: head.Station, Generation: at.generation, First: first, Last: last, What: fmt.Sprintf(format, args...)}
	}
	if head.Generation < at.generation {
		return wrong(store.RolledBack, head.Sequence+1, at.sequence, "the log ends in generation %d, the history has generation %d of it up to record %d: this is an older copy", head.Generation, at.generation, at.sequence)
	}
	var there record.Ref
	if at.sequence <= head.Sequence {
		if there, err = l.Numbered(at.sequence); err != nil {
			return record.Ref{}, err
		}
	}
	switch {
	case there.Generation == at.generation && there.Hash == at.hash:
		return there, nil
	case head.Generation > at.generation && (there.IsZero() || there.Generation > at.generation):
		// The log goes on from a backup: its next generation follows a record that may
		// be well before the last one here.
		k := sort.Search(int(head.Sequence), func(i int) bool {
			ref, nerr := l.Numbered(uint64(i) + 1)
			err = errors.Join(err, nerr)
			return nerr == nil && ref.Generation > at.generation
		})
		if err != nil || k == 0 {
			return record.Ref{}, err
		}
		if there, err = l.Numbered(uint64(k)); err != nil {
			return record.Ref{}, err
		}
		first, here, err := parting(ctx, c, l, log, head.Station, at.generation, uint64(k))
		if err != nil || first == 0 {
			return there, err
		}
		_, err = wrong(store.Rewritten, first, uint64(k), "record %d is another than the one that the history has: the copy that this log goes on from was rewritten", first)
		return record.Ref{}, withHashes(err, here, l, first)
	}
	upTo := min(at.sequence, head.Sequence)
	first, here, err := parting(ctx, c, l, log, head.Station, at.generation, upTo)
	switch {
	case err != nil:
		return record.Ref{}, err
	case first == 0 && head.Sequence < at.sequence:
		return wrong(store.RolledBack, head.Sequence+1, at.sequence, "the log ends at record %d, the history has it up to record %d: records %d to %d are gone from the log", head.Sequence, at.sequence, head.Sequence+1, at.sequence)
	case first == 0:
		first = at.sequence // what is here says one thing, its batch another
	}
	fault, how := store.Rewritten, "one of the two was rewritten"
	if here.kind == record.KindStart || startsAt(l, first) {
		fault, how = store.Forked, "two logs go on under one name"
	}
	_, err = wrong(fault, first, at.sequence, "record %d is another in the log than in the history, records up to %d are the same: %s", first, first-1, how)
	return record.Ref{}, withHashes(err, here, l, first)
}

func withHashes(err error, here known, l Log, first uint64) error {
	var i *Incident
	if errors.As(err, &i) {
		i.Here = here.hash
		if there, nerr := l.Numbered(first); nerr == nil {
			i.There = there.Hash
		}
	}
	return err
}

// startsAt says whether a run of the station began with that record.
func startsAt(l Log, sequence uint64) bool {
	before, err := l.Numbered(sequence - 1)
	if err != nil && sequence > 1 {
		return false
	}
	list, err := l.Carry(before, 1, 1)
	return err == nil && len(list) == 1 && list[0].Kind == record.KindStart
}

// known is what the history holds of a record.
type known struct {
	hash record.Hash
	kind record.Kind
}

// parting returns the first record up to a number that is another in the log than in
// the history, 0 for none.
func parting(ctx context.Context, c querier, l Log, log record.Hash, station string, generation uint32, upTo uint64) (uint64, known, error) {
	same := uint64(0) // both have this one
	list, err := c.Query(ctx, `select last_sequence, hash_after from panecal.batches where station = $1 and log = $2 and generation <= $3 and last_sequence <= $4
		order by generation desc, last_sequence desc`, station, log[:], int32(generation), int64(upTo))
	if err != nil {
		return 0, known{}, err
	}
	for list.Next() {
		var last int64
		var hash []byte
		if err := list.Scan(&last, &hash); err != nil {
			list.Close()
			return 0, known{}, err
		}
		ref, err := l.Numbered(uint64(last))
		if err != nil {
			list.Close()
			return 0, known{}, err
		}
		if ref.Hash == record.Hash(hash) {
			same = uint64(last)
			break
		}
	}
	list.Close()
	if err := list.Err(); err != nil {
		return 0, known{}, err
	}
	if same == upTo {
		return 0, known{}, nil
	}
	list, err = c.Query(ctx, `select sequence, hash, kind from panecal.records where station = $1 and log = $2 and generation <= $3 and sequence > $4 and sequence <= $5
		order by sequence`, station, log[:], int32(generation), int64(same), int64(upTo))
	if err != nil {
		return 0, known{}, err
	}
	defer list.Close()
	for list.Next() {
		var sequence int64
		var hash []byte
		var kind int16
		if err := list.Scan(&sequence, &hash, &kind); err != nil {
			return 0, known{}, err
		}
		ref, err := l.Numbered(uint64(sequence))
		if err != nil {
			return 0, known{}, err
		}
		if ref.Hash != record.Hash(hash) {
			return uint64(sequence), known{record.Hash(hash), record.Kind(kind)}, nil
		}
	}
	return 0, known{}, list.Err()
}

// otherLog refuses a log whose station has another one in the history.
func otherLog(ctx context.Context, c querier, head record.Ref, log record.Hash) error {
	for _, sql := range []string{
		"select log from panecal.batches where station = $1 and log < $2 limit 1",
		"select log from panecal.batches where station = $1 and log > $2 limit 1",
	} {
		var other []byte
		err := c.QueryRow(ctx, sql, head.Station, log[:]).Scan(&other)
		if errors.Is(err, pgx.ErrNoRows) {
			continue
		}
		if err != nil {
			return fmt.Errorf("reading how far the log was carried: %w", err)
		}
		at, _, err := lastBatch(ctx, c, head.Station, record.Hash(other))
		if err != nil {
			return err
		}
		return &Incident{Fault: store.Forked, Station: head.Station, Generation: head.Generation, First: 1, Last: head.Sequence, Here: at.hash, There: head.Hash,
			What: fmt.Sprintf("two logs go on under one name: the history has station %s with the log %.16x up to record %d of generation %d, this is the log %.16x: records 1 to %d are not taken; a new computer goes on with `panecal init --continues`, a new station has a name of its own",
				head.Station, other, at.sequence, at.generation, log, head.Sequence)}
	}
	return nil
}
