package conform

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"time"

	"example.org/panecal/protocol"
)

// main is the kind of capture that the unit is best at, mainTable its table.
func (r *run) main() protocol.CaptureKind {
	for _, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Totals} {
		if r.id.Kinds.Has(kind) {
			return kind
		}
	}
	return protocol.Ranges
}

func (r *run) mainTable() protocol.Table {
	return tablesOf(r.main())[0]
}

// tablesOf are the tables of a kind of capture.
func tablesOf(kind protocol.CaptureKind) []protocol.Table {
	switch kind {
	case protocol.Histograms:
		return []protocol.Table{protocol.BinTable, protocol.TotalTable, protocol.FrameTable}
	case protocol.Totals:
		return []protocol.Table{protocol.TotalTable, protocol.FrameTable}
	}
	return []protocol.Table{protocol.RangeTable}
}

// columns of a table, for a capture of so many frames.
func (r *run) columns(table protocol.Table, frames int) int {
	switch table {
	case protocol.BinTable:
		return r.id.Bins
	case protocol.FrameTable:
		return frames
	}
	return 1
}

// shots that take about so many milliseconds, by the unit's own word.
func (r *run) shots(ms int64) int64 {
	return max(1, min(protocol.MaxShots, ms*1_000_000/r.id.PulsePeriodNS))
}

// forEver is a number of shots that no check waits for.
func (r *run) forEver() int64 { return protocol.MaxShots }

// comp says whether a capture has to be asked for with compensation.
func (r *run) comp(kind protocol.CaptureKind) bool {
	return kind == protocol.Ranges && !r.id.CompensationOff
}

func (r *run) nextCapture() uint32 {
	r.capture++
	return r.capture
}

// start starts a capture of the next id; what goes wrong fails 5.3.1.
func (r *run) start(kind protocol.CaptureKind, shots int64, frames int) (protocol.Progress, bool) {
	return r.startAs(protocol.CaptureRequest{ID: r.nextCapture(), Kind: kind, Compensated: r.comp(kind), Shots: shots, Frames: frames})
}

func (r *run) startAs(q protocol.CaptureRequest) (protocol.Progress, bool) {
	h, ok := r.ask(&q)
	if !ok {
		return protocol.Progress{}, false
	}
	p, good := h.Body.(*protocol.Progress)
	if !r.want("5.3.1", good && p.Capture == q.ID, "start of capture %d (%v) is answered with code %d, or for another", q.ID, q.Kind, h.Code) {
		return protocol.Progress{}, false
	}
	r.running = p.End == protocol.Running
	return *p, true
}

func (r *run) progress(capture uint32) (protocol.Progress, bool) {
	h, ok := r.ask(&protocol.AskProgress{Capture: capture})
	if !ok {
		return protocol.Progress{}, false
	}
	p, good := h.Body.(*protocol.Progress)
	if !r.want("5.4.2", good && p.Capture == capture, "progress of capture %d is answered with code %d, or for another", capture, h.Code) {
		return protocol.Progress{}, false
	}
	r.running = p.End == protocol.Running
	return *p, true
}

// patience is how long a short capture may take beyond its shots.
const patience = 10 * time.Second

// ended waits for the end of a capture.
func (r *run) ended(capture uint32) bool {
	_, ok := r.wait(capture, patience)
	return ok
}

func (r *run) wait(capture uint32, most time.Duration) (protocol.Progress, bool) {
	until := time.Now().Add(most)
	for {
		p, ok := r.progress(capture)
		if !ok || p.End != protocol.Running {
			return p, ok
		}
		if time.Now().After(until) {
			r.fail("5.3.8", "capture %d does not end", capture)
			r.stop()
			return p, false
		}
		r.pause(min(200*time.Millisecond, time.Duration(p.RemainingMS+1)*time.Millisecond))
	}
}

func (r *run) stop() bool {
	r.running = false
	return r.code("4.4.5", protocol.CodeOK, &protocol.Stop{})
}

func (r *run) status() (protocol.Status, bool) {
	h, ok := r.ask(&protocol.AskStatus{})
	if !ok {
		return protocol.Status{}, false
	}
	s, good := h.Body.(*protocol.Status)
	if !r.want("5.2.1", good, "status is answered with code %d", h.Code) {
		return protocol.Status{}, false
	}
	return *s, true
}

// dark looks at the emitter itself, where the bench can.
func (r *run) dark(clause, when string) {
	on, err := r.opt.Bench.Light()
	if err == nil {
		r.want(clause, !on, "the emitter is driven %s", when)
	} else if !errors.Is(err, ErrUnable) {
		r.fail(clause, "%v", err)
	}
}

// unable skips clauses for what the bench cannot do, or fails the first.
func (r *run) unable(err error, clauses ...string) bool {
	switch {
	case err == nil:
		return false
	case errors.Is(err, ErrUnable):
		r.skip("needs a bench that can do it: "+err.Error(), clauses...)
	default:
		r.fail(clauses[0], "%v", err)
	}
	return true
}

// table fetches a whole table in answers as large as the unit likes.
func (r *run) table(capture uint32, table protocol.Table, columns int) (counts []uint32, zones []protocol.RangeZone, ok bool) {
	all := r.id.Zones() * columns
	for got := 0; got < all; {
		q := &protocol.Fetch{Capture: capture, Table: table, Zone: got / columns, First: got % columns, Count: all - got}
		v, ok := r.fetch(q, columns)
		if !ok {
			return nil, nil, false
		}
		for _, part := range v.Counts {
			counts = append(counts, part...)
		}
		zones = append(zones, v.Ranges...)
		got += v.Len()
	}
	return counts, zones, true
}

// fetch asks once and checks the answer's shape.
func (r *run) fetch(q *protocol.Fetch, columns int) (*protocol.Values, bool) {
	h, ok := r.ask(q)
	if !ok {
		return nil, false
	}
	v, good := h.Body.(*protocol.Values)
	if !r.want("5.5.1", good, "a fetch of %d values from zone %d, column %d of table %d is answered with code %d", q.Count, q.Zone, q.First, q.Table, h.Code) {
		return nil, false
	}
	if !r.want("5.5.2", v.Capture == q.Capture && v.Table == q.Table && v.Zone == q.Zone && v.First == q.First, "keys 1 to 4 are not the request's") ||
		!r.want("5.5.1", v.Len() >= 1 && v.Len() <= q.Count, "%d values for %d asked", v.Len(), q.Count) {
		return nil, false
	}
	r.tried("5.5.3")
	at := q.First
	for i, part := range v.Counts {
		last := i == len(v.Counts)-1
		if !r.want("5.5.2", len(part) <= columns-at && (last || len(part) == columns-at), "part %d has %d values, its zone has %d left", i, len(part), columns-at) {
			return nil, false
		}
		at = 0
	}
	return v, true
}

// blockBins are the bins of leakage that every unit has room for (5.6.3).
const blockBins = 16

// part is how many bytes of a block go into one request: they fit every unit.
const part = 128

// stage hands a block over; ok is false if the unit does not take it.
func (r *run) stage(block []byte) bool {
	for held := 0; held < len(block); {
		h, ok := r.ask(&protocol.Stage{Length: len(block), Offset: held, Data: block[held:min(held+part, len(block))]})
		if !ok {
			return false
		}
		s, good := h.Body.(*protocol.Staged)
		if !good {
			clause := "5.6.2"
			if h.Code == protocol.CodeBadArgument {
				clause = "5.6.3" // every block that is staged here fits every unit
			}
			r.fail(clause, "staging %d bytes at %d of %d is answered with code %d", part, held, len(block), h.Code)
			return false
		}
		if !r.want("5.6.2", s.Held == min(held+part, len(block)), "with %d bytes more at %d, %d are held", min(part, len(block)-held), held, s.Held) {
			return false
		}
		held = s.Held
	}
	return true
}

func lastFour(block []byte) uint32 { return binary.LittleEndian.Uint32(block[len(block)-4:]) }

func (r *run) commit(block []byte) (protocol.Code, bool) {
	h, ok := r.ask(&protocol.Commit{Length: len(block), CRC: lastFour(block)})
	return h.Code, ok
}

// writeBlock stages and commits a block.
func (r *run) writeBlock(clause string, block []byte) bool {
	if !r.stage(block) {
		return false
	}
	code, ok := r.commit(block)
	return ok && r.want(clause, code == protocol.CodeOK, "a good block of %d bytes is refused with code %d", len(block), code)
}

// readConstants reads the whole block in force.
func (r *run) readConstants() ([]byte, bool) {
	block := []byte{}
	for {
		h, ok := r.ask(&protocol.ReadConstants{Offset: len(block), Count: protocol.MaxPayload})
		if !ok {
			return nil, false
		}
		c, good := h.Body.(*protocol.ConstantsPart)
		if !r.want("5.6.1", good, "read constants is answered with code %d", h.Code) ||
			!r.want("5.6.1", c.Offset == len(block) && len(block)+len(c.Data) <= c.Length, "%d bytes at %d of %d, asked at %d", len(c.Data), c.Offset, c.Length, len(block)) {
			return nil, false
		}
		block = append(block, c.Data...)
		if len(block) == c.Length {
			return block, true
		}
		if !r.want("5.6.1", len(c.Data) > 0, "no bytes at %d of %d", len(block), c.Length) {
			return nil, false
		}
	}
}

// inForce wants a block to be the one in force.
func (r *run) inForce(clause string, want []byte, when string) bool {
	got, ok := r.readConstants()
	return ok && r.want(clause, bytes.Equal(got, want), "%s the block in force is another (%d bytes, not %d)", when, len(got), len(want))
}

// block makes a good constants block for this unit; n makes it different
// from others, and fills it with bytes of all kinds.
func (r *run) block(state protocol.State, n int) []byte {
	b := r.constants(n)
	b.State = state
	data, err := b.Marshal()
	if err != nil {
		r.fail("6.1", "this program cannot build a block for the unit: %v", err)
	}
	return data
}

func (r *run) constants(n int) *protocol.Block {
	zones := r.id.Zones()
	b := &protocol.Block{Serial: r.serial(), Rows: r.id.Rows, Cols: r.id.Cols, LeakageScale: 30, BinScale: 30, OffsetScale: 16,
		TempMilliCel: 25_000, State: protocol.Written, Leakage: make([]int32, zones),
		Witness: protocol.Witness{Station: "conform", Generation: 1, Sequence: uint64(n)}}
	if r.id.Kinds.Has(protocol.Histograms) {
		b.Bins = min(r.id.Bins, blockBins)
		b.LeakageBins = make([]int16, zones*b.Bins)
	}
	for z := range zones {
		// Small, so that a unit that applies them still finds its ranges.
		b.Leakage[z] = int32(z*n) % 251
		b.Offsets = append(b.Offsets, int32((z+1)*n)<<8^int32(z))
		for i := range b.Bins {
			b.LeakageBins[z*b.Bins+i] = int16(z*i*n%509 - 250)
		}
	}
	for i := range b.ProductRev {
		b.ProductRev[i], b.LimitsRev[i], b.Witness.Intent[i] = byte(16*i+n), byte(0xff-i), byte(i*n)
	}
	return b
}

func (r *run) serial() string {
	if r.id.Serial != "" {
		return r.id.Serial
	}
	return "CONFORM"
}

// keep reads the constants that the unit came with.
func (r *run) keep() []byte {
	block, ok := r.readConstants()
	if !ok {
		return nil
	}
	return block
}

// restore leaves the unit dark and as it was, whatever ended the run; one
// that never had constants is left with the bare void form.
func (r *run) restore(block []byte) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.ctx), 10*time.Second)
	defer cancel()
	r.ctx, r.slow, r.leaving = ctx, false, true
	if r.lost != nil || !r.begin() {
		return
	}
	r.stop()
	void := &protocol.Void{}
	if b, err := protocol.ParseBlock(block); err == nil && b.State != protocol.Voided {
		r.writeBlock("5.6.4", block)
		return
	} else if err == nil && b.Witness != (protocol.Witness{}) {
		void.Witness = b.Witness.Bytes()
	}
	r.ask(void)
}
