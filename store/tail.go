package store

import (
	"encoding/json"
	"errors"
	"path/filepath"
	"slices"
	"sync"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/column"
)

// tail is what a follower remembers of the last segment: the rows of its
// attempts as far as it was read. Records are decoded once; what stands behind
// is proven by the walk that goes on there.
type tail struct {
	mu      sync.Mutex
	pos     position // where it was read to; Last is 0 for nothing
	rows    []Row
	changes []change
	kept    int  // rows in the file
	looked  bool // for the file
}

// tailName is the file in a reader's own folder with what it remembers.
const tailName = "tail.columns"

// tailKept is how many new rows are worth writing the file again.
const tailKept = 64

// aboutTail is what the file says of itself.
type aboutTail struct {
	Position position `json:"position"`
	Changes  []change `json:"changes"`
}

// tail returns what stands in the last segment, and in what began meanwhile.
func (r *Reader) tail(number uint32, limit mark) (station string, rows []Row, changes []change, err error) {
	if r.acknowledged != nil { // the station's own process keeps nothing
		station, rows, changes, _, err = r.tailFrom(position{}, number, limit)
		return station, rows, changes, err
	}
	t := &r.last
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.looked {
		t.looked = true
		t.read(&r.columns)
	}
	if t.pos.Segment == number && t.pos.Last > 0 {
		station, rows, changes, pos, err := r.tailFrom(t.pos, number, limit)
		if err == nil {
			rows, changes = slices.Concat(t.rows, rows), slices.Concat(t.changes, changes)
			t.remember(&r.columns, number, pos, rows, changes)
			return station, rows, changes, nil
		}
		if !errors.Is(err, errConflict) {
			return "", nil, nil, err
		}
		t.forget() // the log is another one, or went another way
	}
	station, rows, changes, pos, err := r.tailFrom(position{}, number, limit)
	if err == nil {
		t.remember(&r.columns, number, pos, rows, changes)
	}
	return station, rows, changes, err
}

// tailFrom reads on from a position, or a segment from its beginning.
func (r *Reader) tailFrom(from position, number uint32, limit mark) (station string, rows []Row, changes []change, end position, err error) {
	w := &walk{disk: r.disk, dir: r.dir, pos: from}
	if from.Last == 0 {
		if w, err = walkFrom(r.disk, r.dir, number); err != nil {
			return "", nil, nil, end, err
		}
	}
	w.promised = limit
	if r.acknowledged != nil {
		w.limit.segment, w.limit.end = limit.Journal, limit.JournalEnd
	}
	rows, changes, err = gather(w)
	return w.pos.Station, rows, changes, w.pos, errors.Join(err, w.close())
}

func (t *tail) forget() { t.pos, t.rows, t.changes, t.kept = position{}, nil, nil, 0 }

// remember keeps what was read, unless it goes beyond the segment.
func (t *tail) remember(c *columns, number uint32, pos position, rows []Row, changes []change) {
	if pos.Segment != number || pos.Last == 0 {
		t.forget()
		return
	}
	if t.pos.Segment != number {
		t.kept = 0
	}
	t.pos, t.rows, t.changes = pos, rows, changes
	if c.own == "" || len(rows)-t.kept < tailKept {
		return
	}
	text, err := json.Marshal(aboutTail{pos, append([]change{}, changes...)})
	if err != nil {
		return
	}
	// That it cannot be kept costs time only.
	if data, err := packRows(text, rows); err == nil && c.write(tailName, data) == nil {
		t.kept = len(rows)
	}
}

// read takes the file in. Whether the log still is the one that it speaks of, the
// walk finds out.
func (t *tail) read(c *columns) {
	if c.own == "" {
		return
	}
	f, err := c.disk.Open(filepath.Join(c.own, tailName))
	if err != nil {
		return
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return
	}
	b, err := column.Open(f, size)
	if err != nil || !hasColumns(b) {
		return
	}
	var a aboutTail
	if json.Unmarshal(b.About(), &a) != nil {
		return
	}
	rows, err := unpackRows(b, quantity.All())
	if err != nil {
		return
	}
	t.pos, t.rows, t.changes, t.kept = a.Position, rows, a.Changes, len(rows)
}
