package store

import (
	"cmp"
	"slices"

	"example.org/panecal/store/record"
)

// Newest gives the newest n records in log order, and before them the older ones
// of some kinds, until each returns an error. Times play no part in it: clocks
// are put forward and back.
func (r *Reader) Newest(n uint64, kinds []record.Kind, each func(record.Entry) error) error {
	head, err := r.Head()
	if err != nil {
		return err
	}
	after := head.Sequence - min(n, head.Sequence)
	var list []Position
	for _, k := range kinds {
		all, err := r.Positions(Kind, k.String())
		if err != nil {
			return err
		}
		list = append(list, slices.DeleteFunc(all, func(p Position) bool { return p.Kind != k || p.Ref.Sequence > after })...)
	}
	slices.SortFunc(list, func(a, b Position) int { return cmp.Compare(a.Ref.Sequence, b.Ref.Sequence) })
	if err := r.read(list, nil, each); err != nil || after == head.Sequence {
		return err
	}
	list = list[:0]
	err = r.view(func(v *view) error {
		list = list[:0]
		for s := after + 1; s <= head.Sequence; s++ {
			e, err := v.entry(s)
			if err != nil {
				return err
			}
			list = append(list, Position{Ref: record.Ref{Station: head.Station, Generation: e.generation, Sequence: s, Hash: e.hash}, Kind: e.kind})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return r.read(list, nil, each)
}
