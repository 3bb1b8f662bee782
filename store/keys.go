package store

import (
	"bytes"
	"crypto/sha256"
	"slices"

	"example.org/panecal/store/record"
)

// Topic is what records are filed under.
type Topic byte

// The topics. The lots are those of the unit and of its window, gasket and
// emitter.
const (
	Serial Topic = 's'
	UnitID Topic = 'u'
	Lot    Topic = 'l'
	Order  Topic = 'o'
	Kind   Topic = 'k' // as [record.Kind.String] says it
)

// key stands for a topic and a term in an index: the beginning of a hash of
// both, so that all keys are equally long and spread evenly. Who reads a record
// by its key looks whether it bears the term.
type key [12]byte

func keyOf(t Topic, term string) key {
	h := sha256.Sum256(append([]byte{byte(t)}, term...))
	return key(h[:len(key{})])
}

func (k key) compare(o key) int { return bytes.Compare(k[:], o[:]) }

// terms returns what a record is filed under a topic as.
func terms(s *record.Skimmed, t Topic) []string {
	var list []string
	add := func(term string) {
		if term != "" && !slices.Contains(list, term) {
			list = append(list, term)
		}
	}
	switch t {
	case Serial:
		add(s.Subject.Serial)
	case UnitID:
		add(s.Subject.UnitID)
	case Order:
		add(s.Order)
	case Kind:
		add(s.Kind.String())
	case Lot:
		add(s.Subject.Lot)
		for _, l := range s.Lots {
			add(l)
		}
	}
	return list
}

// keysOf returns all that a record is filed under.
func keysOf(s *record.Skimmed) []key {
	var list []key
	for _, t := range []Topic{Serial, UnitID, Lot, Order, Kind} {
		for _, term := range terms(s, t) {
			list = append(list, keyOf(t, term))
		}
	}
	return list
}
