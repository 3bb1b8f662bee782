package protocol

import (
	"context"
	"fmt"
	"math"
	"time"
)

// Capture makes a whole capture: it starts it, tells report how far it is
// (nil for nobody), stops the emitter, fetches everything and checks that
// it adds up. A request without an id gets one. The emitter is told to stop
// on every way out; if that fails too, the error says so. A capture that ends
// early is an *EndedError.
func (c *Client) Capture(ctx context.Context, req CaptureRequest, report func(Progress)) (*Capture, error) {
	const doing = "capturing"
	c.mu.Lock()
	if req.ID == 0 {
		c.captures++
		req.ID = c.captures
	}
	id := c.identity
	c.mu.Unlock()

	p, err := c.run(ctx, req, report)
	// Now, before anything else: even a unit that says it is done is told.
	if stopErr := c.stopAnyway(ctx); stopErr != nil && err == nil {
		err = stopErr
	} else if stopErr != nil {
		err = fmt.Errorf("%w; and the emitter may be on: %w", err, stopErr)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if p.End != Complete {
		return nil, fmt.Errorf("%s: %w", doing, &EndedError{p})
	}
	if p.ShotsFired != req.Shots*int64(req.Frames) || p.FramesDone != req.Frames {
		return nil, fmt.Errorf("%s: %w: complete after %d shots in %d frames", doing, ErrInconsistent, p.ShotsFired, p.FramesDone)
	}
	got := &Capture{ID: req.ID, Kind: req.Kind, Shots: p.ShotsFired, Frames: req.Frames,
		TempMilliCel: p.TempMilliCel, End: p.End, CountMax: id.CountMax()}
	if err := c.Fetch(ctx, got); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	return got, nil
}

// run starts a capture and polls it until it has ended. It must not leave
// by a panic of report without a stop.
func (c *Client) run(ctx context.Context, req CaptureRequest, report func(Progress)) (p Progress, err error) {
	returned := false
	defer func() {
		if !returned {
			_ = c.stopAnyway(ctx) // panicking: nobody is left to tell
		}
	}()
	p, err = c.StartCapture(ctx, req)
	for err == nil {
		if report != nil {
			report(p)
		}
		if p.End != Running {
			break
		}
		pause := PollEvery
		if p.RemainingMS > 0 {
			pause = min(pause, time.Duration(p.RemainingMS+1)*time.Millisecond)
		}
		if err = wait(ctx, pause); err == nil {
			p, err = c.Progress(ctx, req.ID)
		}
	}
	returned = true
	return p, err
}

// Fetch fills in the tables of a capture that is complete in the unit; id,
// kind and frames say which. It checks that the sums agree.
func (c *Client) Fetch(ctx context.Context, into *Capture) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := newTransfer(into, &c.identity)
	if err := c.exchange(ctx, t.next, t.take); err != nil {
		return fmt.Errorf("fetching capture %d: %w", into.ID, err)
	}
	if err := t.finish(); err != nil {
		return fmt.Errorf("fetching capture %d: %w", into.ID, err)
	}
	return nil
}

// transfer fetches the tables of one capture.
type transfer struct {
	into    *Capture
	zones   int
	bins    int
	sources map[Table]*source
	frames  []uint32 // zone z, frame f at z*Frames+f
	spans   []span   // not asked for yet
	room    int      // bytes of an answer for values
}

// source is a table in the unit, and where its values go here.
type source struct {
	table   Table
	columns int
	flat    []uint32 // nil for ranges
	size    float64  // bytes that a value takes, as seen lately
}

// span is a run of values of a table, counted row after row.
type span struct {
	*source
	from, n int
}

func newTransfer(into *Capture, id *Identity) *transfer {
	t := &transfer{into: into, zones: id.Zones(), bins: id.Bins,
		sources: map[Table]*source{}, room: id.MaxOut - valuesOverhead}
	into.CountMax = id.CountMax()
	into.Counts, into.Totals, into.FrameTotals, into.Ranges = nil, nil, nil, nil
	if into.Kind == Ranges {
		into.Ranges = make([]RangeZone, t.zones)
		t.want(RangeTable, 1, 20)
		return t
	}
	// The longest first: short answers at the end leave no line idle. Guesses
	// are low, because half an answer costs less than a line half used.
	if into.Kind.HasBins() {
		into.Counts = t.want(BinTable, t.bins, 1)
	}
	t.frames = t.want(FrameTable, into.Frames, 2)
	into.Totals = t.want(TotalTable, 1, 4)
	return t
}

// want puts a whole table down to be fetched; size is a guess.
func (t *transfer) want(table Table, columns int, size float64) []uint32 {
	s := &source{table: table, columns: columns, size: size + partOverhead/float64(columns)}
	if table != RangeTable {
		s.flat = make([]uint32, t.zones*columns)
	}
	t.sources[table] = s
	t.spans = append(t.spans, span{s, 0, t.zones * columns})
	return s.flat
}

// next asks for what one answer will hold if values go on taking about as
// many bytes as they did. Asking for more would be harmless, but the rest of
// a cut answer makes a short one, and short answers leave the line idle.
func (t *transfer) next() RequestBody {
	if len(t.spans) == 0 {
		return nil
	}
	s := &t.spans[0]
	n := min(s.n, max(1, int(0.95*float64(t.room)/s.size)))
	q := &Fetch{Capture: t.into.ID, Table: s.table, Zone: s.from / s.columns, First: s.from % s.columns, Count: n}
	s.from += n
	s.n -= n
	if s.n == 0 {
		t.spans = t.spans[1:]
	}
	return q
}

// take puts an answer's values where they belong and asks again for those
// that are missing.
func (t *transfer) take(body RequestBody, a Answer) error {
	q, v := body.(*Fetch), a.Body.(*Values)
	n := v.Len()
	if v.Capture != q.Capture || v.Table != q.Table || v.Zone != q.Zone || v.First != q.First || n > q.Count {
		return fmt.Errorf("%w: %d values from zone %d, column %d were not asked for", ErrInconsistent, n, v.Zone, v.First)
	}
	s := t.sources[q.Table]
	from := q.Zone*s.columns + q.First
	if q.Table == RangeTable {
		copy(t.into.Ranges[from:], v.Ranges)
	}
	at, used := from, 0
	for i, part := range v.Counts {
		left := s.columns - at%s.columns
		if len(part) > left || len(part) < left && i+1 < len(v.Counts) {
			return fmt.Errorf("%w: %d values for zone %d", ErrInconsistent, len(part), at/s.columns)
		}
		copy(s.flat[at:], part)
		at += len(part)
		used += partOverhead + len(part)*width(part)
	}
	if 2*used > t.room || n == q.Count && n > 32 { // too few values tell nothing
		s.size = float64(used) / float64(n)
	}
	if n < q.Count {
		t.spans = append([]span{{s, from + n, q.Count - n}}, t.spans...)
	}
	return nil
}

// finish lays the frames out and checks the sums. A zone with a saturated
// count adds up to nothing and is left to whoever judges saturation.
func (t *transfer) finish() error {
	c := t.into
	if c.Kind == Ranges {
		return nil
	}
	for f := range c.Frames {
		totals := make([]uint32, t.zones)
		for z := range totals {
			totals[z] = t.frames[z*c.Frames+f]
		}
		c.FrameTotals = append(c.FrameTotals, totals)
	}
	for z, total := range c.Totals {
		saturated := total == math.MaxUint32
		var bins, frames uint64
		if c.Kind.HasBins() {
			for _, n := range c.Counts[z*t.bins : (z+1)*t.bins] {
				if n > c.CountMax {
					return fmt.Errorf("%w: a count of %d in zone %d, over %d", ErrInconsistent, n, z, c.CountMax)
				}
				saturated = saturated || n == c.CountMax
				bins += uint64(n)
			}
		}
		for _, n := range t.frames[z*c.Frames : (z+1)*c.Frames] {
			saturated = saturated || n == math.MaxUint32
			frames += uint64(n)
		}
		if saturated {
			continue
		}
		if c.Kind.HasBins() && bins != uint64(total) {
			return fmt.Errorf("%w: bins of zone %d sum to %d, its total is %d", ErrInconsistent, z, bins, total)
		}
		if frames != uint64(total) {
			return fmt.Errorf("%w: frames of zone %d sum to %d, its total is %d", ErrInconsistent, z, frames, total)
		}
	}
	return nil
}
