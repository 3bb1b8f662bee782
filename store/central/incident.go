package central

import (
	"bytes"
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Gap: records are missing between what is in the history and what comes.
const Gap store.Fault = "gap"

// Incident says why a log is not taken: it does not follow from what the history has
// of it. It is on record there.
type Incident struct {
	Fault       store.Fault // Gap, store.Forked, store.Rewritten or store.RolledBack
	Station     string
	Generation  uint32
	First, Last uint64      // the records that it is about
	Here, There record.Hash // of the first of them, in the history and in the log; zero where there is none
	What        string
}

// Error says what is wrong, and with which records.
func (i *Incident) Error() string { return fmt.Sprintf("%s: %s", i.Fault, i.What) }

// report puts the incident on record, once for as long as it stays the same.
func (i *Incident) report(ctx context.Context, c *pgx.Conn, log record.Hash) error {
	return pgx.BeginFunc(ctx, c, func(tx pgx.Tx) error {
		var code string
		var first int64
		var there []byte
		err := tx.QueryRow(ctx, "select code, first_sequence, hash_there from panecal.incidents where station = $1 order by time desc limit 1", i.Station).Scan(&code, &first, &there)
		if err == nil && code == string(i.Fault) && first == int64(i.First) && bytes.Equal(there, orNull(i.There)) {
			return nil
		}
		_, err = tx.Exec(ctx, `insert into panecal.incidents (station, log, code, generation, first_sequence, last_sequence, hash_here, hash_there, what)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			i.Station, log[:], string(i.Fault), int32(i.Generation), int64(i.First), int64(i.Last), orNull(i.Here), orNull(i.There), text(i.What))
		return err
	})
}

func orNull(h record.Hash) []byte {
	if h == (record.Hash{}) {
		return nil
	}
	return h[:]
}
