package station_test

import (
	"errors"
	"fmt"
	"time"

	"example.org/panecal/store/record"
)

// ledger is a log in memory with a disk under it: what is written is gone at
// the next power cut unless it was synced. It keeps Log's promise: after an
// error the same body given once more settles whether it is there.
type ledger struct {
	entries  []record.Entry
	raw      [][]byte
	synced   int // entries that survive a power cut
	acked    []record.Ref
	hash     record.Hash
	doubt    record.Body // whose append failed last
	bySerial map[string][]record.Entry
	byUnit   map[string][]record.Entry

	failing  failing
	forgetIt bool // a planted bug: says durable what is not synced
}

// failing is how the next appends fail.
type failing struct {
	times int  // so many calls; -1 for ever
	after bool // the record is there all the same
}

var errDisk = errors.New("no space left on device")

func (l *ledger) append(now time.Time, b record.Body) (record.Ref, error) {
	if l.doubt != nil && l.doubt == b { // the same again
		l.doubt = nil
		if n := len(l.entries); n > 0 && l.entries[n-1].Body == b && l.failing.times == 0 {
			l.sync()
			l.acked = append(l.acked, l.entries[n-1].Ref)
			return l.entries[n-1].Ref, nil
		} else if n > 0 && l.entries[n-1].Body == b {
			l.failing.times = max(l.failing.times-1, -1)
			return record.Ref{}, errDisk
		}
	}
	l.doubt = nil
	if l.failing.times != 0 {
		if l.failing.times > 0 {
			l.failing.times--
		}
		l.doubt = b
		if l.failing.after {
			l.write(now, b)
			l.sync()
		}
		return record.Ref{}, errDisk
	}
	ref, err := l.write(now, b)
	if err != nil {
		return ref, err
	}
	l.sync()
	l.acked = append(l.acked, ref)
	return ref, nil
}

func (l *ledger) write(now time.Time, b record.Body) (record.Ref, error) {
	e := record.Entry{Ref: record.Ref{Station: "cal-1", Generation: 1, Sequence: uint64(len(l.entries) + 1)}, Time: now, Previous: l.hash, Body: b}
	raw, ref, err := record.Encode(e)
	if err != nil {
		return ref, err
	}
	e.Ref = ref
	l.entries, l.raw, l.hash = append(l.entries, e), append(l.raw, raw), ref.Hash
	s := b.Subject()
	l.bySerial[s.Serial] = append(l.bySerial[s.Serial], e)
	if s.UnitID != "" {
		l.byUnit[s.UnitID] = append(l.byUnit[s.UnitID], e)
	}
	return ref, nil
}

func (l *ledger) sync() {
	if !l.forgetIt {
		l.synced = len(l.entries)
	}
}

// restart is what the next program finds: after a power cut nothing that was
// not synced. It reads the bytes anew.
func (l *ledger) restart(powerCut bool) (*ledger, error) {
	n := &ledger{bySerial: map[string][]record.Entry{}, byUnit: map[string][]record.Entry{}, acked: l.acked, failing: l.failing, forgetIt: l.forgetIt}
	if n.failing.times > 0 {
		n.failing = failing{}
	}
	raw := l.raw
	if powerCut {
		raw = raw[:l.synced]
	}
	for i, r := range raw {
		e, err := record.Decode(r)
		if err != nil {
			return nil, err
		}
		if e.Previous != n.hash || e.Ref.Sequence != uint64(i+1) {
			return nil, fmt.Errorf("record %d does not follow the one before", i+1)
		}
		n.entries, n.raw, n.hash = append(n.entries, e), append(n.raw, r), e.Ref.Hash
		s := e.Body.Subject()
		n.bySerial[s.Serial] = append(n.bySerial[s.Serial], e)
		if s.UnitID != "" {
			n.byUnit[s.UnitID] = append(n.byUnit[s.UnitID], e)
		}
	}
	n.synced = len(n.entries)
	return n, nil
}

// durable finds a record by its name, if it would survive a power cut.
func (l *ledger) durable(ref record.Ref) (record.Entry, bool) {
	i := int(ref.Sequence) - 1
	if i < 0 || i >= l.synced || l.entries[i].Ref != ref {
		return record.Entry{}, false
	}
	return l.entries[i], true
}
