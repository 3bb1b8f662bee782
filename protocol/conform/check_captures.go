package conform

import (
	"math"
	"math/bits"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

func captureChecks() []check {
	return []check{
		{"start of a capture", []string{"5.3.1", "5.3.2", "5.3.3", "5.4.1", "5.5.4", "4.4.4"}, checkStart},
		{"progress and end", []string{"5.3.4", "5.3.8", "5.3.9", "5.4.2", "5.5.6"}, checkProgress},
		{"fetches", []string{"5.5.1", "5.5.2", "5.5.3", "5.5.4", "5.5.5", "5.5.6"}, checkFetch},
		{"even light", []string{"5.3.11"}, checkEvenLight},
		{"raw counts", []string{"5.3.5"}, checkRaw},
		{"counts that stick", []string{"5.3.6"}, checkSaturation},
	}
}

func checkStart(r *run) {
	p, ok := r.start(r.main(), r.forEver(), 1)
	if !ok {
		return
	}
	first := r.capture
	again := protocol.CaptureRequest{ID: first, Kind: r.main(), Shots: 1, Frames: 1, Compensated: r.comp(r.main())}
	r.pause(30 * time.Millisecond)
	if p2, ok := r.startAs(again); ok {
		r.want("5.3.1", p2.End == protocol.Running && p2.ShotsFired >= p.ShotsFired, "the same id started something new")
	}
	r.sameID(again, protocol.Running)
	r.code("5.3.2", protocol.CodeCapturing, &protocol.CaptureRequest{ID: first + 100, Kind: r.main(), Shots: 1, Frames: 1, Compensated: r.comp(r.main())})
	if now, ok := r.progress(first); ok {
		r.want("5.3.2", now.End == protocol.Running, "a refused start ended the capture (%v)", now.End)
	}
	// Of two refusals the one with the lower number.
	for _, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Totals, protocol.Ranges} {
		if !r.id.Kinds.Has(kind) {
			r.code("4.4.4", protocol.CodeCapturing, &protocol.CaptureRequest{ID: first + 100, Kind: kind, Shots: 1, Frames: 1, Compensated: r.comp(kind)})
		}
	}
	for table := protocol.BinTable; table <= protocol.RangeTable; table++ {
		if !slices.Contains(tablesOf(r.main()), table) {
			r.code("4.4.4", protocol.CodeBadArgument, &protocol.Fetch{Capture: first, Table: table, Count: 1})
		}
	}
	r.code("5.4.1", protocol.CodeNoCapture, &protocol.AskProgress{Capture: first + 100})
	r.code("5.5.4", protocol.CodeNoCapture, &protocol.Fetch{Capture: first, Table: r.mainTable(), Count: 1})
	r.stop()
	// The id of the capture held starts nothing, another forgets it.
	if p2, ok := r.startAs(again); ok {
		r.want("5.3.1", p2.End == protocol.Stopped, "the id of the capture held started something new")
	}
	r.sameID(again, protocol.Stopped)
	if _, ok := r.start(r.main(), 1, 1); ok {
		r.ended(r.capture)
		r.code("5.3.1", protocol.CodeNoCapture, &protocol.AskProgress{Capture: first})
		r.code("5.5.4", protocol.CodeNoCapture, &protocol.Fetch{Capture: first, Table: r.mainTable(), Count: 1})
	}
	tried := false
	for _, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Totals, protocol.Ranges} {
		if !r.id.Kinds.Has(kind) {
			tried = true
			r.code("5.3.3", protocol.CodeUnsupported, &protocol.CaptureRequest{ID: r.nextCapture(), Kind: kind, Shots: 1, Frames: 1, Compensated: r.comp(kind)})
		}
	}
	if r.id.Kinds.Has(protocol.Ranges) && !r.id.CompensationOff {
		tried = true
		r.code("5.3.3", protocol.CodeUnsupported, &protocol.CaptureRequest{ID: r.nextCapture(), Kind: protocol.Ranges, Shots: 1, Frames: 1})
	}
	if r.id.MaxFrames < protocol.MaxFrames {
		tried = true
		many := protocol.CaptureRequest{ID: r.capture, Kind: r.main(), Shots: 1, Frames: r.id.MaxFrames + 1, Compensated: r.comp(r.main())}
		r.code("5.3.3", protocol.CodeBadArgument, &many) // the id of the capture held
		many.ID = r.nextCapture()
		r.code("5.3.3", protocol.CodeBadArgument, &many)
	}
	if !tried {
		r.skip("the unit can do everything that may be asked", "5.3.3")
	}
	if s, ok := r.status(); ok {
		r.want("4.4.1", !s.EmitterOn, "a refused start left the emitter on")
	}
}

// sameID asks for other captures under the id of the one that runs or is held.
func (r *run) sameID(q protocol.CaptureRequest, end protocol.EndReason) {
	for kind := protocol.Histograms; kind <= protocol.Ranges; kind++ {
		q.Kind, q.Compensated, q.Shots = kind, !q.Compensated, q.Shots+1
		if h, ok := r.ask(&q); ok {
			p, good := h.Body.(*protocol.Progress)
			r.want("5.3.1", good && p.Capture == q.ID && p.End == end, "the same id with kind %d is answered with code %d, or the capture has not reason %d", kind, h.Code, end)
		}
	}
}

func checkProgress(r *run) {
	frames := min(4, r.id.MaxFrames)
	shots := r.shots(120)
	q := protocol.CaptureRequest{ID: r.nextCapture(), Kind: r.main(), Shots: shots, Frames: frames, Compensated: r.comp(r.main())}
	p, ok := r.startAs(q)
	for ok && p.End == protocol.Running {
		r.pause(25 * time.Millisecond)
		was := p
		if p, ok = r.progress(q.ID); !ok {
			return
		}
		r.want("5.4.2", p.ShotsFired >= was.ShotsFired && p.ShotsFired <= shots*int64(frames), "%d shots fired, after %d of %d", p.ShotsFired, was.ShotsFired, shots*int64(frames))
		r.want("5.4.2", p.FramesDone == int(p.ShotsFired/shots), "%d frames done with %d shots of %d fired", p.FramesDone, p.ShotsFired, shots)
		if p.End == protocol.Running {
			r.want("5.4.2", p.ShotsFired < shots*int64(frames), "all %d shots are fired and the capture still runs", p.ShotsFired)
			s, ok := r.status()
			r.want("5.2.1", !ok || s.EmitterOn || s.Capture == q.ID, "status does not know of capture %d", q.ID)
		}
	}
	if !ok {
		return
	}
	r.want("5.3.8", p.End == protocol.Complete, "the capture ended with reason %d, not 1", p.End)
	r.want("5.3.4", p.ShotsFired == shots*int64(frames), "%d shots fired, %d × %d were asked for", p.ShotsFired, frames, shots)
	r.want("5.4.2", p.ShotsFired == shots*int64(frames) && p.RemainingMS == 0 && p.FramesDone == frames,
		"at the end %d shots, %d frames, %d ms left", p.ShotsFired, p.FramesDone, p.RemainingMS)
	if s, ok := r.status(); ok {
		r.want("5.3.9", !s.EmitterOn && s.Capture == q.ID, "after the end: emitter %v, capture %d", s.EmitterOn, s.Capture)
		r.dark("5.3.9", "after the last shot")
	}
	// The first reason stays.
	r.stop()
	r.pause(1100 * time.Millisecond)
	if p, ok = r.progress(q.ID); ok {
		r.want("5.3.8", p.End == protocol.Complete, "reason 1 became %d", p.End)
	}
	// Long frames: it is stopped in the midst of the first, or of the second.
	warm, knows := r.status()
	if p, ok = r.start(r.main(), r.forEver(), min(2, frames)); !ok {
		return
	}
	if knows && p.ShotsFired == 0 {
		r.want("5.4.2", alikeCel(p.TempMilliCel, warm.TempMilliCel), "before the first shot %d thousandths of a degree, status said %d", p.TempMilliCel, warm.TempMilliCel)
	}
	r.pause(100 * time.Millisecond)
	early, ok := r.progress(r.capture)
	r.pause(100 * time.Millisecond)
	later, good := r.progress(r.capture)
	if ok && good {
		r.want("5.4.2", later.ShotsFired > early.ShotsFired && later.ShotsFired < r.forEver(), "%d shots fired, and %d a tenth of a second later", early.ShotsFired, later.ShotsFired)
		r.want("5.4.2", !knows || alikeCel(later.TempMilliCel, warm.TempMilliCel), "%d thousandths of a degree, status said %d", later.TempMilliCel, warm.TempMilliCel)
	}
	r.stop()
	if p, ok = r.progress(r.capture); !ok {
		return
	}
	if good {
		r.want("5.4.2", p.ShotsFired >= later.ShotsFired, "%d shots fired, and %d after a stop", later.ShotsFired, p.ShotsFired)
	}
	r.want("5.3.8", p.End == protocol.Stopped, "stopped, with reason %d", p.End)
	r.want("5.4.2", p.RemainingMS == 0, "%d ms are left of a capture that has ended", p.RemainingMS)
	r.pause(1100 * time.Millisecond)
	if later, ok := r.progress(r.capture); ok {
		r.want("5.3.9", later.ShotsFired == p.ShotsFired && later.End == p.End, "after the end %d shots became %d, reason %d became %d", p.ShotsFired, later.ShotsFired, p.End, later.End)
	}
	if r.main() != protocol.Ranges {
		if counts, _, ok := r.table(r.capture, protocol.TotalTable, 1); ok {
			r.want("5.3.9", len(counts) == r.id.Zones(), "the capture is not held")
		}
		counts, _, ok := r.table(r.capture, protocol.FrameTable, min(2, frames))
		for i := 1; ok && i < len(counts) && frames > 1; i += 2 {
			r.want("5.5.6", counts[i] == 0, "a frame that was never begun has %d counts in zone %d", counts[i], i/2)
		}
	}
	checkPartFrame(r, frames)
}

// alikeCel compares temperatures a moment apart, thousandths of a degree.
func alikeCel(a, b int32) bool { return a-b < 10_000 && b-a < 10_000 }

// checkPartFrame stops a capture in the midst of a frame: that frame is not
// whole, and its counts are in every table.
func checkPartFrame(r *run, frames int) {
	ms := r.exposure()
	shots := r.shots(max(1, 2*ms/3))
	if frames == 1 {
		shots = r.shots(4 * ms)
	}
	if _, ok := r.start(r.main(), shots, frames); !ok {
		return
	}
	r.pause(time.Duration(ms) * time.Millisecond)
	r.stop()
	p, ok := r.progress(r.capture)
	if !ok || p.End != protocol.Stopped {
		return
	}
	r.want("5.4.2", p.FramesDone == int(p.ShotsFired/shots), "stopped after %d shots of %d a frame, %d whole frames are told", p.ShotsFired, shots, p.FramesDone)
	if r.main() == protocol.Ranges {
		return
	}
	sums := map[protocol.Table][]uint32{}
	for _, table := range tablesOf(r.main()) {
		if sums[table], _, ok = r.table(r.capture, table, r.columns(table, frames)); !ok {
			return
		}
	}
	r.sums(sums, frames)
}

// held makes a short capture of several frames and returns its frames.
func (r *run) held(kind protocol.CaptureKind, ms int64) (frames int, ok bool) {
	frames = min(5, r.id.MaxFrames)
	if _, ok = r.start(kind, max(1, r.shots(ms)/int64(frames)), frames); !ok {
		return 0, false
	}
	p, ok := r.wait(r.capture, patience)
	return frames, ok && r.want("5.3.8", p.End == protocol.Complete, "a capture of %d ms ended with reason %d", ms, p.End)
}

func checkFetch(r *run) {
	for kind := protocol.Histograms; kind <= protocol.Ranges; kind++ {
		if !r.id.Kinds.Has(kind) {
			continue
		}
		frames, ok := r.held(kind, 10)
		if !ok {
			return
		}
		mine := tablesOf(kind)
		for table := protocol.BinTable; table <= protocol.RangeTable; table++ {
			if !slices.Contains(mine, table) {
				r.code("5.5.4", protocol.CodeBadArgument, &protocol.Fetch{Capture: r.capture, Table: table, Count: 1})
			}
		}
		sums := map[protocol.Table][]uint32{}
		for _, table := range mine {
			columns := r.columns(table, frames)
			if sums[table], ok = r.shapes(table, columns); !ok {
				return
			}
		}
		if kind != protocol.Ranges {
			r.sums(sums, frames)
		}
		r.code("5.5.4", protocol.CodeNoCapture, &protocol.Fetch{Capture: r.capture + 9, Table: mine[0], Count: 1})
	}
}

// shapes fetches one table in many ways and compares.
func (r *run) shapes(table protocol.Table, columns int) (whole []uint32, ok bool) {
	zones := r.id.Zones()
	whole, ranges, ok := r.table(r.capture, table, columns)
	if !ok {
		return nil, false
	}
	all := zones * columns
	compare := func(at, n int) bool {
		q := &protocol.Fetch{Capture: r.capture, Table: table, Zone: at / columns, First: at % columns, Count: n}
		v, ok := r.fetch(q, columns)
		if !ok {
			return false
		}
		same := len(ranges) == 0 || slices.Equal(v.Ranges, ranges[at:][:len(v.Ranges)])
		from, order := at, false
		for _, part := range v.Counts {
			there := whole[from:][:len(part)]
			same = same && slices.Equal(part, there)
			order = order || swappedAlike(part, there)
			from += len(part)
		}
		if !same && order {
			r.fail("3.3.4", "counts of zone %d, table %d have their bytes in the wrong order when fetched in one width or another", q.Zone, table)
		}
		return r.want("5.5.5", same, "%d values from zone %d, column %d of table %d are other ones when fetched so", v.Len(), q.Zone, q.First, table)
	}
	ones := []int{0, columns - 1, all - 1, all / 2, min(columns, all-1), max(0, all-columns)}
	for range 12 {
		ones = append(ones, r.random.IntN(all))
	}
	for _, at := range ones {
		left := all - at
		for _, n := range []int{1, min(2, left), min(columns, left), min(columns+1, left), min(1+r.random.IntN(all), left), left} {
			if !compare(at, n) {
				return nil, false
			}
		}
	}
	beyond := []protocol.Fetch{{Zone: 0, Count: all + 1}, {Zone: zones - 1, First: columns - 1, Count: 2}, {Zone: zones / 2, Count: all}, {Zone: 0, First: columns, Count: 1}}
	if zones < protocol.MaxZones {
		beyond = append(beyond, protocol.Fetch{Zone: zones, Count: 1})
	}
	for _, q := range beyond {
		if q.First >= protocol.MaxBins || q.Count > 1<<18 || q.Zone*columns+q.First+q.Count <= all {
			continue
		}
		q.Capture, q.Table = r.capture, table
		r.code("5.5.4", protocol.CodeBadArgument, &q)
	}
	// Again, after other things happened.
	r.ask(&protocol.AskStatus{})
	r.ask(&protocol.Stop{})
	again, rangesAgain, ok := r.table(r.capture, table, columns)
	r.want("5.5.5", ok && slices.Equal(again, whole) && slices.Equal(rangesAgain, ranges), "table %d holds other values the second time", table)
	return whole, ok
}

// swappedAlike says whether counts differ by the order of their bytes.
func swappedAlike(a, b []uint32) bool {
	differ := false
	for i := range a {
		if a[i] == b[i] {
			continue
		}
		differ = true
		if swapped := bits.ReverseBytes32(a[i]); swapped != b[i] && swapped>>16 != b[i] && bits.ReverseBytes32(b[i])>>16 != a[i] {
			return false
		}
	}
	return differ
}

// sums compares the tables of one capture.
func (r *run) sums(tables map[protocol.Table][]uint32, frames int) {
	most, sound := r.id.CountMax(), false
	for z := range r.id.Zones() {
		total := tables[protocol.TotalTable][z]
		full := total == math.MaxUint32
		var bins, byFrame uint64
		if counts, ok := tables[protocol.BinTable]; ok {
			for _, n := range counts[z*r.id.Bins : (z+1)*r.id.Bins] {
				full = full || n >= most
				bins += uint64(n)
			}
			if full {
				continue
			}
			sound = true
			r.want("5.5.6", bins == uint64(total), "the bins of zone %d sum to %d, its total is %d", z, bins, total)
		}
		for _, n := range tables[protocol.FrameTable][z*frames : (z+1)*frames] {
			byFrame += uint64(n)
		}
		if !full {
			sound = true
			r.want("5.5.6", byFrame == uint64(total), "the frames of zone %d sum to %d, its total is %d", z, byFrame, total)
		}
	}
	if !sound {
		r.skip("each zone has a count at its largest value: less light is needed", "5.5.6")
	}
}

// counts makes a capture and returns its totals over all zones.
func (r *run) counts(comp bool, ms int64) (totals []uint32, ok bool) {
	q := protocol.CaptureRequest{ID: r.nextCapture(), Kind: r.main(), Compensated: comp, Shots: r.shots(ms), Frames: 1}
	if _, ok := r.startAs(q); !ok || !r.ended(q.ID) {
		return nil, false
	}
	totals, _, ok = r.table(q.ID, protocol.TotalTable, 1)
	return totals, ok
}

// checkRaw: counts are raw whatever key 3 says, with constants in force that
// would leave nothing of them.
func checkRaw(r *run) {
	if r.main() == protocol.Ranges {
		r.skip("the unit gives no counts", "5.3.5")
		return
	}
	const ms = 60
	plain, ok := r.counts(false, ms)
	if !ok {
		return
	}
	shots := float64(r.shots(ms))
	b := r.constants(3)
	b.LeakageScale, b.BinScale = 20, 14
	for z := range b.Leakage {
		b.Leakage[z] = int32(min(float64(plain[z])/shots*(1<<20)+1, math.MaxInt32))
	}
	for i := range b.LeakageBins {
		b.LeakageBins[i] = int16(min(float64(plain[i/b.Bins])/shots*(1<<14)+1, math.MaxInt16))
	}
	data, err := b.Marshal()
	if err != nil || !r.writeBlock("5.6.4", data) {
		return
	}
	sum := func(totals []uint32) (all float64) {
		for _, n := range totals {
			all += float64(n)
		}
		return all
	}
	bare, ok := r.counts(false, ms)
	if !ok {
		return
	}
	with, ok := r.counts(true, ms)
	if !ok {
		return
	}
	a, c := sum(bare), sum(with)
	// The light may differ by a tenth between captures; compensation would
	// take nearly everything.
	allowed := 0.2*a + 6*math.Sqrt(a+c+1)
	if a < 400 {
		r.skip("there is too little light on the detector to tell", "5.3.5")
		return
	}
	r.want("5.3.5", math.Abs(a-c) <= allowed, "%.0f counts with compensation asked for, %.0f without", c, a)
}

// checkSaturation fires until the fullest bin would have overflowed.
func checkSaturation(r *run) {
	if r.main() != protocol.Histograms {
		r.skip("the unit gives no bins", "5.3.6")
		return
	}
	if _, ok := r.held(protocol.Histograms, 40); !ok {
		return
	}
	bins, _, ok := r.table(r.capture, protocol.BinTable, r.id.Bins)
	if !ok {
		return
	}
	fullest := slices.Max(bins)
	at := slices.Index(bins, fullest)
	const longest = 20_000 // ms
	need := 2.6 * float64(r.id.CountMax()) / math.Max(1, float64(fullest)) * 40
	if need > longest {
		r.skip("a count of so many bits does not fill up in a time that anybody waits", "5.3.6")
		return
	}
	q := protocol.CaptureRequest{ID: r.nextCapture(), Kind: protocol.Histograms, Shots: r.shots(int64(need)), Frames: 1}
	if _, ok := r.startAs(q); !ok {
		return
	}
	if _, ok := r.wait(q.ID, 2*longest*time.Millisecond); !ok {
		return
	}
	if bins, _, ok = r.table(q.ID, protocol.BinTable, r.id.Bins); ok {
		r.want("5.3.6", bins[at] == r.id.CountMax(), "zone %d, bin %d shows %d after about 2.6 times as many counts as it holds", at/r.id.Bins, at%r.id.Bins, bins[at])
	}
	if totals, _, ok := r.table(q.ID, protocol.TotalTable, 1); ok {
		r.want("5.3.6", totals[at/r.id.Bins] >= r.id.CountMax(), "the total of zone %d is %d: it stuck or wrapped with its bins", at/r.id.Bins, totals[at/r.id.Bins])
	}
}
