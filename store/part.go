package store

import (
	"cmp"
	"maps"
	"slices"

	"example.org/panecal/store/record"
)

// entry is what an index holds of one record.
type entry struct {
	hash       record.Hash
	time       int64 // µs since 1970
	at         location
	generation uint32
	kind       record.Kind
}

// stretch says for which part of which journal an index stands: all records of
// the segments From to To, of the last one up to End.
type stretch struct {
	Store      record.Hash `json:"store"`
	Station    string      `json:"station"`
	From       uint32      `json:"from"`
	To         uint32      `json:"to"`
	End        int64       `json:"end"`         // byte
	Before     uint64      `json:"before"`      // sequence of the record before its first
	BeforeHash record.Hash `json:"before_hash"` // of that record
	Generation uint32      `json:"generation"`  // of the last segment
	Sequence   uint64      `json:"sequence"`    // of its last record
	Hash       record.Hash `json:"hash"`        // of that record
	Last       int64       `json:"last"`        // where that record's frame begins, 0 for none in To
	Newest     int         `json:"newest"`      // latest schema version of its records
}

func (s *stretch) about() *stretch { return s }

func (s *stretch) records() int { return int(s.Sequence - s.Before) }

// end returns where the journal goes on.
func (s *stretch) end() position {
	return position{Store: s.Store, Station: s.Station, Generation: s.Generation, Segment: s.To, Offset: s.End, Last: s.Last,
		Sequence: s.Sequence, Hash: s.Hash, Newest: s.Newest}
}

// part is the index of one stretch of the journal. Records in it are numbered
// from 0 in log order.
type part interface {
	about() *stretch
	entry(n int) (entry, error)
	// find returns the records that are filed under k, ascending.
	find(k key) ([]uint32, error)
	// early returns the i-th record in the order of time.
	early(i int) (int, error)
	// keys returns a function that gives one key after the other, ascending,
	// with the records filed under it; an empty list at the end.
	keys() func() (key, []uint32, error)
	distinct() int // keys
	close() error
}

// recent is the index, in memory, of what follows the files of an index.
type recent struct {
	stretch
	entries []entry
	filed   map[key][]uint32
	order   []uint32 // of time, if as long as entries
}

func newRecent(at position) *recent {
	return &recent{stretch: stretch{Store: at.Store, Station: at.Station, From: at.Segment, To: at.Segment, End: at.Offset, Before: at.Sequence, BeforeHash: at.Hash,
		Generation: at.Generation, Sequence: at.Sequence, Hash: at.Hash, Last: at.Last}, filed: map[key][]uint32{}}
}

// add takes in the next record; at is where the journal goes on behind it.
func (r *recent) add(s *record.Skimmed, at position) {
	n := uint32(len(r.entries))
	r.entries = append(r.entries, entry{hash: s.Ref.Hash, time: max(0, s.Time.UnixMicro()), generation: s.Ref.Generation, kind: s.Kind,
		at: location{at.Segment, at.Last, at.Offset - at.Last}})
	for _, k := range keysOf(s) {
		r.filed[k] = append(r.filed[k], n)
	}
	r.To, r.End, r.Last, r.Generation, r.Sequence, r.Hash, r.Newest = at.Segment, at.Offset, at.Last, at.Generation, at.Sequence, at.Hash, at.Newest
}

func (r *recent) entry(n int) (entry, error)   { return r.entries[n], nil }
func (r *recent) find(k key) ([]uint32, error) { return r.filed[k], nil }
func (r *recent) distinct() int                { return len(r.filed) }
func (r *recent) close() error                 { return nil }

func (r *recent) early(i int) (int, error) {
	if len(r.order) != len(r.entries) {
		r.order = r.order[:0]
		for n := range r.entries {
			r.order = append(r.order, uint32(n))
		}
		slices.SortStableFunc(r.order, func(a, b uint32) int { return cmp.Compare(r.entries[a].time, r.entries[b].time) })
	}
	return int(r.order[i]), nil
}

func (r *recent) keys() func() (key, []uint32, error) {
	list := slices.SortedFunc(maps.Keys(r.filed), key.compare)
	return func() (key, []uint32, error) {
		if len(list) == 0 {
			return key{}, nil, nil
		}
		k := list[0]
		list = list[1:]
		return k, r.filed[k], nil
	}
}
