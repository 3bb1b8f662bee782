package desk

import (
	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Log is what is asked by commands that answer from a station's log and from the
// history of many stations alike. A store.Follower is one, and so is a central.Reader.
type Log interface {
	Blocks(store.Filter, func(*store.Block) error) error
	Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
	Filed(store.Topic, string, store.Filter, func(*store.Row) error) (records int, err error)
	AtStation(station string, generation uint32, sequence uint64) (record.Entry, error)
	Since(record.Ref, func(record.Entry) error) error
	Close() error
}

// stretched is a log whose outlines are kept.
type stretched interface {
	Stretches(store.Filter, store.Kept, func(*store.Stretch) (func() error, error)) error
}
