package central

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// BySerial returns all records about a serial number: of one station in the order of its
// log, of several in the order of time.
func (r *Reader) BySerial(serial string) ([]record.Entry, error) {
	return r.entries("serial = ?", text(serial))
}

// ByUnitID does the same for the unit that answers with this identity.
func (r *Reader) ByUnitID(id string) ([]record.Entry, error) {
	return r.entries("unit_id = ?", text(id))
}

func (r *Reader) entries(sql string, value any) ([]record.Entry, error) {
	var c condition
	c.add(sql, value)
	if r.only != "" {
		c.add("station = ?", r.only)
	}
	list, err := r.records(c, "station, sequence, generation", 1<<20)
	if err != nil {
		return nil, err
	}
	if len(list) > 0 && slices.ContainsFunc(list, func(e record.Entry) bool { return e.Ref.Station != list[0].Ref.Station }) {
		slices.SortStableFunc(list, func(a, b record.Entry) int { return a.Time.Compare(b.Time) })
	}
	return list, nil
}

// records reads records whole, each proven by its hash.
func (r *Reader) records(c condition, order string, most int) ([]record.Entry, error) {
	rows, err := r.conn.Query(r.ctx, fmt.Sprintf("select hash, data from panecal.records where %s order by %s limit %d", &c, order, most), c.args...)
	if err != nil {
		return nil, r.failed(err)
	}
	defer rows.Close()
	var list []record.Entry
	for rows.Next() {
		var hash, data []byte
		if err := rows.Scan(&hash, &data); err != nil {
			return nil, r.failed(err)
		}
		e, err := r.decode(hash, data)
		if err != nil {
			return nil, err
		}
		list = append(list, e)
	}
	if err := rows.Err(); err != nil {
		return nil, r.failed(err)
	}
	rows.Close()
	for i := range list {
		if err := r.complete(&list[i]); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func (r *Reader) decode(hash, data []byte) (record.Entry, error) {
	plain, err := r.unpack.DecodeAll(data, nil)
	if err == nil && record.HashOf(plain) != record.Hash(hash) {
		err = errors.New("it is not the one that was carried there")
	}
	var e record.Entry
	if err == nil {
		e, err = record.Decode(plain)
	}
	if err != nil {
		return e, fmt.Errorf("%w: a record of the history: %w", store.ErrDamaged, err)
	}
	return e, nil
}

// complete gives an attempt what its record left to its write intent.
func (r *Reader) complete(e *record.Entry) error {
	a, ok := e.Body.(*record.Attempt)
	if !ok || !a.Refers() || a.WriteIntent == nil {
		return nil
	}
	intent, err := r.Get(*a.WriteIntent)
	if err != nil {
		return fmt.Errorf("the write intent of record %s: %w", e.Ref, err)
	}
	w, ok := intent.Body.(*record.WriteIntent)
	if !ok {
		return fmt.Errorf("%w: record %s is no write intent", store.ErrDamaged, a.WriteIntent)
	}
	a.Complete(w.Body)
	return nil
}

// Get returns one record; store.ErrNotFound if the history has none of that name.
func (r *Reader) Get(ref record.Ref) (record.Entry, error) {
	e, err := r.AtStation(ref.Station, ref.Generation, ref.Sequence)
	if err == nil && e.Ref != ref {
		err = store.ErrNotFound
	}
	return e, err
}

// AtStation returns the record of that station, generation and number.
func (r *Reader) AtStation(station string, generation uint32, sequence uint64) (record.Entry, error) {
	var c condition
	c.add("station = ?", station)
	c.add("sequence = ?", int64(sequence))
	c.add("generation = ?", int32(generation))
	list, err := r.records(c, "sequence", 1)
	if err == nil && len(list) == 0 {
		err = store.ErrNotFound
	}
	if err != nil {
		return record.Entry{}, err
	}
	return list[0], nil
}

// Since gives each record of a station after ref in log order, of all stations one after
// the other for the zero Ref.
func (r *Reader) Since(ref record.Ref, each func(record.Entry) error) error {
	stations := []string{ref.Station}
	if ref.IsZero() {
		var err error
		if stations, err = r.Stations(); err != nil {
			return err
		}
	}
	for _, station := range stations {
		last, generation := ref.Sequence, ref.Generation
		for {
			var c condition
			c.add("station = ?", station)
			c.add("sequence >= ?", int64(last))
			c.sql = append(c.sql, fmt.Sprintf("(sequence > %d or generation > %d)", last, generation))
			list, err := r.records(c, "sequence, generation", 500)
			if err != nil {
				return err
			}
			if len(list) == 0 {
				break
			}
			for _, e := range list {
				last, generation = e.Ref.Sequence, e.Ref.Generation
				if err := each(e); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// PositionsBetween returns where the attempts stand with from ≤ time < to, in the order
// of time.
func (r *Reader) PositionsBetween(from, to time.Time) ([]store.Position, error) {
	rows, err := r.conn.Query(r.ctx, `select station, generation, sequence, hash, "time", purpose from panecal.attempts where "time" >= $1 and "time" < $2 and $3 in ('', station)`, from.UTC(), to.UTC(), r.only)
	if err != nil {
		return nil, r.failed(err)
	}
	defer rows.Close()
	var list []store.Position
	r.checks = map[record.Ref]bool{}
	for rows.Next() {
		p := store.Position{Kind: record.KindAttempt}
		var generation, sequence int64
		var hash []byte
		var purpose string
		if err := rows.Scan(&p.Ref.Station, &generation, &sequence, &hash, &p.Time, &purpose); err != nil {
			return nil, r.failed(err)
		}
		p.Ref.Generation, p.Ref.Sequence, p.Ref.Hash, p.Time = uint32(generation), uint64(sequence), record.Hash(hash), p.Time.UTC()
		if record.Purpose(purpose) == record.CheckUnit {
			r.checks[p.Ref] = true
		}
		list = append(list, p)
	}
	slices.SortStableFunc(list, func(a, b store.Position) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Ref.Station, b.Ref.Station), cmp.Compare(a.Ref.Sequence, b.Ref.Sequence))
	})
	return list, r.failed(rows.Err())
}

// Runs gives the attempts of a purpose among some records, in their order; those of
// check units are known from the positions told last.
func (r *Reader) Runs(list []store.Position, p record.Purpose, each func(record.Entry) error) error {
	for _, at := range list {
		if p == record.CheckUnit && !r.checks[at.Ref] {
			continue
		}
		e, err := r.Get(at.Ref)
		if err != nil {
			return err
		}
		if a, ok := e.Body.(*record.Attempt); !ok || a.Run.Purpose != p {
			continue
		}
		if err := each(e); err != nil {
			return err
		}
	}
	return nil
}
