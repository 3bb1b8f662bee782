package central

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
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

// condition is what of a filter the engine looks at; the rest is for who reads the rows.
type condition struct {
	sql  []string
	args []any
}

func (c *condition) add(sql string, value any) {
	c.args = append(c.args, value)
	c.sql = append(c.sql, strings.ReplaceAll(sql, "?", fmt.Sprintf("$%d", len(c.args))))
}

func (c *condition) String() string { return strings.Join(c.sql, " and ") }

func (r *Reader) condition(station string, f *store.Filter) (condition, error) {
	var c condition
	c.add("station = ?", station)
	if f.Operator != "" && !r.persons {
		return c, fmt.Errorf("--operator: %w", ErrPersons)
	}
	for _, w := range []struct{ sql, value string }{
		{"serial = ?", f.Serial}, {"product = ?", f.Product}, {`"order" = ?`, f.Order}, {"nest = ?", f.Nest}, {"operator = ?", f.Operator},
		{"purpose = ?", string(f.Purpose)}, {"outcome = ?", string(f.Outcome)}, {"? in (lot, window_lot, gasket_lot, emitter_lot)", f.Lot},
	} {
		if w.value != "" {
			c.add(w.sql, text(w.value))
		}
	}
	if !f.Since.IsZero() {
		c.add(`"time" >= ?`, f.Since.UTC().Truncate(time.Microsecond))
	}
	if !f.Until.IsZero() {
		c.add(`"time" <= ?`, f.Until.UTC())
	}
	if f.First {
		c.sql = append(c.sql, "attempt <= 1")
	}
	return c, nil
}

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
