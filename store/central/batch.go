package central

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// A batch has at most so many records, and so many bytes of them: what a forwarder
// holds is bounded.
const (
	batchRecords = 250
	batchBytes   = 1 << 20
)

// batch is records of one generation that follow a record.
type batch struct {
	log   record.Hash
	after record.Ref // the zero Ref for the beginning
	list  []store.Carried
}

// follows is the record that the engine holds the batch to, nil for the first batch
// of a generation.
func (b *batch) follows() *int64 {
	if b.after.Generation != b.list[0].Ref.Generation {
		return nil
	}
	n := int64(b.after.Sequence)
	return &n
}

// The rows go in as arrays, one a column, so that there is one statement a table
// however many they are, and no table is made for the time of a transaction. What is
// text in a record is a parameter here, and never part of a statement.
const (
	addBatch = `insert into panecal.batches
		(station, log, generation, first_sequence, last_sequence, follows, hash_before, hash_after, records, attempts, software)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`
	addRecords = `insert into panecal.records (station, log, generation, sequence, hash, kind, time, serial, unit_id, lots, work_order, data)
		select $1, $2, $3, r.sequence, r.hash, r.kind, r.time, r.serial, r.unit_id, string_to_array(r.lots, E'\x1f'), r.work_order, r.data
		from unnest($4::bigint[], $5::bytea[], $6::smallint[], $7::timestamptz[], $8::text[], $9::text[], $10::text[], $11::text[], $12::bytea[])
			as r (sequence, hash, kind, time, serial, unit_id, lots, work_order, data)`
	addDispositions = `insert into panecal.dispositions
		(station, log, generation, sequence, kind, time, serial, unit_id, purpose, attempt, disposition, firm, of_attempt)
		select $1, $2, $3, d.sequence, d.kind, d.time, d.serial, d.unit_id, d.purpose, d.attempt, d.disposition, d.firm, d.of_attempt
		from unnest($4::bigint[], $5::smallint[], $6::timestamptz[], $7::text[], $8::text[], $9::text[], $10::integer[], $11::text[], $12::boolean[], $13::bigint[])
			as d (sequence, kind, time, serial, unit_id, purpose, attempt, disposition, firm, of_attempt)`
)

// text is a record's text as the engine can hold it: it has no place for the
// character 0, nor the arrays of lots for their separator. The record's own bytes
// have them.
func text(s string) string {
	if !strings.ContainsAny(s, "\x00\x1f") {
		return s
	}
	return strings.NewReplacer("\x00", "␀", "\x1f", "␟").Replace(s)
}

// add inserts the batch. The caller commits.
func (b *batch) add(ctx context.Context, tx pgx.Tx, pack *zstd.Encoder, software string) error {
	first, last := b.list[0].Ref, b.list[len(b.list)-1].Ref
	station, log, generation := first.Station, b.log[:], int32(first.Generation)
	var (
		sequences, moved, ofAttempt                      []int64
		hashes, data                                     [][]byte
		kinds, movedKinds                                []int16
		times, movedTimes                                []time.Time
		serials, units, lots, orders                     []string
		movedSerials, movedUnits, purposes, dispositions []string
		numbers                                          []int32
		firm                                             []bool
		attempts                                         rows
	)
	for i := range b.list {
		c := &b.list[i]
		kind, at, s := int16(c.Kind), c.Time, &c.Skimmed
		sequences, kinds, times = append(sequences, int64(c.Ref.Sequence)), append(kinds, kind), append(times, at)
		hashes = append(hashes, c.Ref.Hash[:])
		data = append(data, pack.EncodeAll(c.Data, make([]byte, 0, len(c.Data)*3/4)))
		serials, units, orders = append(serials, text(s.Subject.Serial)), append(units, text(s.Subject.UnitID)), append(orders, text(s.Order))
		var named []string
		for _, l := range append([]string{s.Subject.Lot}, s.Lots...) {
			if l != "" {
				named = append(named, text(l))
			}
		}
		lots = append(lots, strings.Join(named, "\x1f"))
		moves := func(serial, unit, purpose string, attempt int, d record.Disposition, isFirm bool, of uint64) {
			moved, movedKinds, movedTimes = append(moved, int64(c.Ref.Sequence)), append(movedKinds, kind), append(movedTimes, at)
			movedSerials, movedUnits, purposes = append(movedSerials, text(serial)), append(movedUnits, text(unit)), append(purposes, purpose)
			numbers, dispositions, firm, ofAttempt = append(numbers, int32(attempt)), append(dispositions, string(d)), append(firm, isFirm), append(ofAttempt, int64(of))
		}
		if d, ok := c.Body.(*record.DispositionChange); ok {
			of := uint64(0)
			if d.Attempt != nil {
				of = d.Attempt.Sequence
			}
			moves(d.Serial, d.UnitID, "", 0, d.To, d.Firm, of)
		}
		row, ok, err := c.Row()
		if err != nil {
			return fmt.Errorf("record %s: %w", c.Ref, err)
		}
		if !ok {
			continue
		}
		attempts.add(&row, c.Ref.Hash)
		moves(row.Serial, row.UnitID, string(row.Purpose), row.AttemptNo, row.Disposition, false, 0)
	}
	_, err := tx.Exec(ctx, addBatch, station, log, generation, int64(first.Sequence), int64(last.Sequence), b.follows(), b.after.Hash[:], last.Hash[:],
		int32(len(b.list)), int32(len(attempts.hashes)), software)
	if err == nil {
		_, err = tx.Exec(ctx, addRecords, station, log, generation, sequences, hashes, kinds, times, serials, units, lots, orders, data)
	}
	if err == nil && len(attempts.hashes) > 0 {
		_, err = tx.Exec(ctx, addAttempts(), attempts.arguments(station, log, generation)...)
	}
	if err == nil && len(moved) > 0 {
		_, err = tx.Exec(ctx, addDispositions, station, log, generation, moved, movedKinds, movedTimes, movedSerials, movedUnits, purposes, numbers, dispositions, firm, ofAttempt)
	}
	return err
}

// rows are attempts as columns.
type rows struct {
	hashes, packed [][]byte
	sequences      []int64
	columns        []any // a slice each, in the order of attemptColumns
}

// attemptColumn is one column of the table of attempts.
type attemptColumn struct {
	name, sql string
	text      func(*store.Row) string
	whole     func(*store.Row) int64
	moment    func(*store.Row) time.Time
	number    int // place among the quantities, where there is none of the above
}

// attemptColumns are those of the exported table, by its names, but released, and
// after them what panecal's own commands search by.
func attemptColumns() []attemptColumn {
	word := func(name string, get func(*store.Row) string) attemptColumn {
		return attemptColumn{name: name, sql: "text", text: get}
	}
	whole := func(name string, get func(*store.Row) int64) attemptColumn {
		return attemptColumn{name: name, sql: "bigint", whole: get}
	}
	list := []attemptColumn{
		word("serial", func(r *store.Row) string { return r.Serial }),
		whole("attempt", func(r *store.Row) int64 { return int64(r.AttemptNo) }),
		{name: "time", sql: "timestamptz", moment: func(r *store.Row) time.Time { return r.Time }},
		word("outcome", func(r *store.Row) string { return string(r.Outcome) }),
		whole("soft_bin", func(r *store.Row) int64 { return int64(r.SoftBin) }),
		whole("hard_bin", func(r *store.Row) int64 { return int64(r.HardBin) }),
		word("disposition", func(r *store.Row) string { return string(r.Disposition) }),
		word("purpose", func(r *store.Row) string { return string(r.Purpose) }),
		word("product", func(r *store.Row) string { return r.Product }),
		word("limits", func(r *store.Row) string { return r.LimitsRev }),
		word("nest", func(r *store.Row) string { return r.Nest }),
		word("operator", func(r *store.Row) string { return r.Operator }),
		word("order", func(r *store.Row) string { return r.Order }),
		word("window_lot", func(r *store.Row) string { return r.WindowLot }),
		word("gasket_lot", func(r *store.Row) string { return r.GasketLot }),
		word("emitter_lot", func(r *store.Row) string { return r.EmitterLot }),
		word("unit_id", func(r *store.Row) string { return r.UnitID }),
		word("lot", func(r *store.Row) string { return r.Lot }),
		word("soft_bin_name", func(r *store.Row) string { return r.SoftName }),
	}
	for _, d := range quantity.All() {
		suffix := []string{"", "_u"}
		if d.Zoned {
			for _, side := range []string{"_high", "_low"} {
				for k := range quantity.Guards {
					suffix = append(suffix, fmt.Sprintf("%s%d", side, k))
				}
			}
		}
		for i, s := range suffix {
			list = append(list, attemptColumn{name: string(d.Name) + s, sql: "double precision", number: d.Column + i})
		}
	}
	return list
}

// addAttempts is the statement that inserts attempts. A number that is not known is
// NaN on the way, and null in the table.
func addAttempts() string {
	names, chosen, arrays, aliases := []string{}, []string{}, []string{}, []string{}
	for i, c := range attemptColumns() {
		a := fmt.Sprintf("c%d", i)
		names, aliases = append(names, pgx.Identifier{c.name}.Sanitize()), append(aliases, a)
		arrays = append(arrays, fmt.Sprintf("$%d::%s[]", 7+i, c.sql))
		if c.sql == "double precision" {
			chosen = append(chosen, "nullif(a."+a+", 'NaN')")
		} else {
			chosen = append(chosen, "a."+a)
		}
	}
	return "insert into panecal.attempts (station, log, generation, sequence, hash, packed, " + strings.Join(names, ", ") + ")\n" +
		"select $1, $2, $3, a.sequence, a.hash, a.packed, " + strings.Join(chosen, ", ") + "\n" +
		"from unnest($4::bigint[], $5::bytea[], $6::bytea[], " + strings.Join(arrays, ", ") + ") as a (sequence, hash, packed, " + strings.Join(aliases, ", ") + ")"
}

func (a *rows) add(r *store.Row, hash record.Hash) {
	columns := attemptColumns()
	if a.columns == nil {
		for _, c := range columns {
			switch {
			case c.text != nil:
				a.columns = append(a.columns, []string(nil))
			case c.whole != nil:
				a.columns = append(a.columns, []int64(nil))
			case c.moment != nil:
				a.columns = append(a.columns, []time.Time(nil))
			default:
				a.columns = append(a.columns, []float64(nil))
			}
		}
	}
	a.hashes, a.packed, a.sequences = append(a.hashes, hash[:]), append(a.packed, r.AppendPacked(nil)), append(a.sequences, int64(r.Sequence))
	for i, c := range columns {
		switch v := a.columns[i].(type) {
		case []string:
			a.columns[i] = append(v, text(c.text(r)))
		case []int64:
			a.columns[i] = append(v, c.whole(r))
		case []time.Time:
			a.columns[i] = append(v, c.moment(r).UTC())
		case []float64:
			f := r.Quantities[c.number]
			if math.IsInf(f, 0) {
				f = math.NaN()
			}
			a.columns[i] = append(v, f)
		}
	}
}

func (a *rows) arguments(station string, log []byte, generation int32) []any {
	return append([]any{station, log, generation, a.sequences, a.hashes, a.packed}, a.columns...)
}
