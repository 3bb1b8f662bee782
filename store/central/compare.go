package central

import (
	"context"
	"errors"
	"fmt"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Comparison is how a log and what a history has of it agree.
type Comparison struct {
	Head     record.Ref // the last record of the log
	Sequence uint64     // of the last record that both have, as far as they agree
	Records  int        // compared, each by its hash
	Gone     uint64     // records that the history had, and whose months were dropped
	Beyond   int        // records of an earlier generation, made after the backup that the log goes on from
	Incident *Incident  // where they part, nil where they do not
}

// Compare holds a log against what a history has of it, record by record.
func Compare(ctx context.Context, t *Target, l Log) (c Comparison, err error) {
	r, err := OpenReader(ctx, t)
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	identity, err := l.Identity()
	if err != nil {
		return c, err
	}
	if c.Head, _, err = l.Ends(); err != nil {
		return c, err
	}
	at, err := position(ctx, r.conn, l, identity)
	switch {
	case errors.As(err, &c.Incident):
		if c.Incident.First > 0 {
			c.Sequence = c.Incident.First - 1
		}
	case err != nil:
		return c, err
	default:
		c.Sequence = at.Sequence
	}
	err = c.records(ctx, r, l, identity, c.Sequence)
	if covered := uint64(c.Records); err == nil && c.Incident == nil && covered < c.Sequence {
		c.Gone = c.Sequence - covered
	}
	return c, err
}

// records compares the records up to a number.
func (c *Comparison) records(ctx context.Context, r *Reader, l Log, identity record.Hash, upTo uint64) error {
	const most = 5000
	last, generation := int64(0), int32(0)
	for {
		rows, err := r.conn.Query(ctx, `select sequence, generation, hash from panecal.records where station = $1 and log = $2 and sequence >= $3 and sequence <= $4
			and (sequence > $3 or generation > $5) order by sequence, generation limit $6`, c.Head.Station, identity[:], last, int64(upTo), generation, most)
		if err != nil {
			return r.failed(err)
		}
		n := 0
		for rows.Next() {
			var hash []byte
			if err := rows.Scan(&last, &generation, &hash); err != nil {
				rows.Close()
				return r.failed(err)
			}
			n++
			ref, err := l.Numbered(uint64(last))
			if err != nil {
				rows.Close()
				return err
			}
			switch here := record.Hash(hash); {
			case uint32(generation) < ref.Generation:
				c.Beyond++
			case here == ref.Hash:
				c.Records++
			case c.Incident == nil:
				c.Sequence = uint64(last) - 1
				c.Incident = &Incident{Fault: store.Rewritten, Station: ref.Station, Generation: ref.Generation, First: uint64(last), Last: uint64(last), Here: here, There: ref.Hash,
					What: fmt.Sprintf("record %d is another in the log than in the history: one of the two was rewritten", last)}
			}
		}
		rows.Close()
		if err := rows.Err(); err != nil {
			return r.failed(err)
		}
		if n < most {
			return nil
		}
	}
}
