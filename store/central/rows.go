package central

import (
	"fmt"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Blocks gives the attempts that f may pick in blocks, in the order of their logs, until
// each returns an error; see [store.Reader.Blocks].
func (r *Reader) Blocks(f store.Filter, each func(*store.Block) error) error {
	stations := []string{f.Station}
	if f.Station == "" {
		var err error
		if stations, err = r.Stations(); err != nil {
			return err
		}
	}
	now := r.standings(f.Station, f.OnHold, nil)
	for i, station := range stations {
		c, err := r.condition(station, &f)
		if err != nil {
			return err
		}
		sequence, generation := int64(0), int64(0)
		for {
			here := condition{append([]string{}, c.sql...), append([]any{}, c.args...)}
			here.add("sequence >= ?", sequence)
			here.sql = append(here.sql, fmt.Sprintf("(sequence > %d or generation > %d)", sequence, generation))
			list, err := r.packed(here, rowsAtATime)
			if err != nil {
				return err
			}
			if len(list.data) == 0 {
				break
			}
			sequence, generation = list.sequence, list.generation
			columns, err := store.NewPackedRows(list.data, list.operators)
			if err != nil {
				return err
			}
			if err := each(store.NewBlock(columns, station, i+1, len(stations), func() (*store.Standings, error) { return now(station) })); err != nil {
				return err
			}
			if len(list.data) < rowsAtATime {
				break
			}
		}
	}
	return nil
}

// someRows are packed rows of one station, and where the last one stands.
type someRows struct {
	data                 [][]byte
	operators            []string
	sequence, generation int64
}

func (r *Reader) packed(c condition, most int) (list someRows, err error) {
	operator := "''"
	if r.persons {
		operator = "operator"
	}
	rows, err := r.conn.Query(r.ctx, fmt.Sprintf("select sequence, generation::bigint, packed, %s from panecal.attempts where %s order by sequence, generation limit %d", operator, &c, most), c.args...)
	if err != nil {
		return list, r.failed(err)
	}
	defer rows.Close()
	for rows.Next() {
		var data []byte
		var name string
		if err := rows.Scan(&list.sequence, &list.generation, &data, &name); err != nil {
			return list, r.failed(err)
		}
		list.data, list.operators = append(list.data, data), append(list.operators, name)
	}
	return list, r.failed(rows.Err())
}

// standings returns how the attempts of a station and the units stand, read when it is
// asked for: from the changes alone, or with held from all that moved a unit. Serials,
// if not nil, are the units that are asked about.
func (r *Reader) standings(station string, held bool, serials []string) func(station string) (*store.Standings, error) {
	var all map[string]*store.Standings
	return func(of string) (*store.Standings, error) {
		if all == nil {
			var err error
			if all, err = r.readStandings(station, held, serials); err != nil {
				return nil, err
			}
		}
		if all[of] == nil {
			all[of] = all[""].Beside()
		}
		return all[of], nil
	}
}

func (r *Reader) readStandings(station string, held bool, serials []string) (map[string]*store.Standings, error) {
	c := condition{sql: []string{"true"}}
	order := "time, station, sequence, generation"
	if station != "" {
		c.add("station = ?", station)
		order = "sequence, generation"
	}
	if !held {
		c.add("kind = ?", int16(record.KindDispositionChange))
	}
	if serials != nil {
		c.add("serial = any(?)", serials)
	}
	rows, err := r.conn.Query(r.ctx, fmt.Sprintf("select station, sequence, kind, serial, purpose, disposition, firm, of_attempt from panecal.dispositions where %s order by %s", &c, order), c.args...)
	if err != nil {
		return nil, r.failed(err)
	}
	defer rows.Close()
	first := store.NewStandings()
	all := map[string]*store.Standings{"": first}
	for rows.Next() {
		var at, serial, purpose, disposition string
		var sequence, attempt int64
		var kind int16
		var firm bool
		if err := rows.Scan(&at, &sequence, &kind, &serial, &purpose, &disposition, &firm, &attempt); err != nil {
			return nil, r.failed(err)
		}
		s := all[at]
		if s == nil {
			s = first.Beside()
			all[at] = s
		}
		if record.Kind(kind) == record.KindAttempt {
			s.Verdict(serial, uint64(sequence), record.Purpose(purpose), record.Disposition(disposition))
		} else {
			s.Change(serial, uint64(sequence), uint64(attempt), record.Disposition(disposition), firm)
		}
	}
	return all, r.failed(rows.Err())
}

// Attempts gives the row of each attempt that f picks; see [store.Reader.Attempts].
func (r *Reader) Attempts(f store.Filter, quantities []quantity.Name, each func(*store.Row) error) error {
	var wanted []quantity.Definition
	for _, n := range quantities {
		if d, ok := quantity.Lookup(n); ok {
			wanted = append(wanted, d)
		}
	}
	return r.Blocks(f, func(b *store.Block) error {
		rows, err := b.Picked(&f, wanted)
		if err != nil {
			return err
		}
		for i := range rows {
			if err := each(&rows[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

// Filed gives the row of each attempt that is filed under a serial or an identity and
// that f picks; see [store.Reader.Filed].
func (r *Reader) Filed(t store.Topic, term string, f store.Filter, each func(*store.Row) error) (records int, err error) {
	column := ""
	switch t {
	case store.Serial:
		column = "serial"
	case store.UnitID:
		column = "unit_id"
	default:
		return 0, fmt.Errorf("the history is not asked by topic %c", t)
	}
	stations := "$2 in ('', station)"
	found, err := collect[int](r, "select count(*)::int from panecal.records where "+column+" = $1 and "+stations, text(term), f.Station)
	if err != nil || found[0] == 0 {
		return 0, err
	}
	serials, err := collect[string](r, "select distinct serial from panecal.records where "+column+" = $1 and serial <> '' and "+stations, text(term), f.Station)
	if err != nil {
		return found[0], err
	}
	now := r.standings(f.Station, true, serials)
	from, err := collect[string](r, "select distinct station from panecal.attempts where "+column+" = $1 and "+stations+" order by station", text(term), f.Station)
	if err != nil {
		return found[0], err
	}
	for _, station := range from {
		c := condition{}
		c.add("station = ?", station)
		c.add(column+" = ?", text(term))
		list, err := r.packed(c, 1<<20)
		if err != nil {
			return found[0], err
		}
		columns, err := store.NewPackedRows(list.data, list.operators)
		if err != nil {
			return found[0], err
		}
		rows, err := store.NewBlock(columns, station, 1, 1, func() (*store.Standings, error) { return now(station) }).Picked(&f, quantity.All())
		if err != nil {
			return found[0], err
		}
		for i := range rows {
			if err := each(&rows[i]); err != nil {
				return found[0], err
			}
		}
	}
	return found[0], nil
}
