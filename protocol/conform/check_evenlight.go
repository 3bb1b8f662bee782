package conform

import "example.org/panecal/protocol"

// checkEvenLight counts with the emitter off where the unit can, and sees to
// it that another refuses and stays dark.
func checkEvenLight(r *run) {
	const clause = "5.3.11"
	if !r.id.Kinds.Has(protocol.EvenLight) {
		q := protocol.CaptureRequest{ID: r.nextCapture(), Kind: protocol.EvenLight, Shots: r.shots(100), Frames: 1}
		if h, ok := r.ask(&q); ok {
			r.want(clause, h.Code == protocol.CodeUnsupported || h.Code == protocol.CodeBadArgument, "a kind that the unit has not is answered with code %d", h.Code)
		}
		r.staysDark(clause, "a refused start")
		return
	}
	if _, ok := r.start(protocol.EvenLight, r.shots(100), 1); !ok {
		return
	}
	r.staysDark(clause, "a capture of even light that runs")
	p, ok := r.wait(r.capture, patience)
	if !ok {
		return
	}
	r.want(clause, p.End == protocol.Complete && p.ShotsFired == r.shots(100), "the capture ended with reason %d after %d shots", p.End, p.ShotsFired)
	var bins, total uint64
	for table, columns := range map[protocol.Table]int{protocol.BinTable: r.id.Bins, protocol.TotalTable: 1} {
		q := protocol.Fetch{Capture: r.capture, Table: table, Count: columns}
		for n := 0; n < columns; {
			q.First, q.Count = n, columns-n
			v, ok := r.fetch(&q, columns)
			if !ok {
				return
			}
			for _, part := range v.Counts {
				for _, c := range part {
					if n++; table == protocol.BinTable {
						bins += uint64(c)
					} else {
						total += uint64(c)
					}
				}
			}
		}
	}
	r.want(clause, bins == total, "the bins of zone 0 sum to %d, its total is %d", bins, total)
}

func (r *run) staysDark(clause, during string) {
	if s, ok := r.status(); ok {
		r.want(clause, !s.EmitterOn, "%s has the emitter on", during)
	}
	r.dark(clause, "in "+during)
}
