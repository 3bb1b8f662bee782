// Package store keeps the station's log: records that are appended and never
// changed, and the raw captures they name.
//
// It gives no meaning to what it keeps (package store/record does) and draws
// no conclusions (store/query does). A store is one directory:
//
//	journal-00000001.seg   records, framed; a record is durable once its
//	                       frame is synced here, and only then acknowledged
//	capture-00000001.seg   raw captures, zstd, synced before their record
//	head                   sequence and hash last acknowledged, and where the
//	                       segments ended then: what a cut log is known by
//	journal-00000001.columns
//	                       the attempts of a segment that is followed by another,
//	                       column by column (package column)
//	log.db                 where each record stands, and what it is filed under
//	                       (bbolt): derived from the segments by catch-up
//	lock                   held, and the holder named, while a station writes
//
// A segment is eight bytes of magic and frames; a frame is length, CRC-32C of
// the content, CRC-32C of those two, content (little endian). The content of a
// frame of the journal is a record, as it is or packed (see pack.go); its hash
// is of the record either way. The first frame
// is the segment's header, which says where the segment before it ends: what
// lies beyond was never acknowledged. Every start, and every failed write,
// begins a new segment. Nothing is ever repaired in place.
//
// One process writes: [Open] takes the lock or says who has it. Everybody else
// reads through [Follow], which keeps a database of its own and needs only the
// segments, live or copied. Both offer the same [Reader]: records by unit, lot,
// time or order, and [Reader.Attempts], which streams a [Row] an attempt through
// a [Filter] in constant memory and reads only the columns asked for:
//
//	err := reader.Attempts(store.Filter{Product: "hopper-54", Since: monday},
//		[]quantity.Name{quantity.LeakageMax}, func(r *store.Row) error {
//			high, ok := r.Quantities.High(quantity.LeakageMax, 2) // value + 2 u, of the worst zone
//			…
//		})
//
// Files of columns are made by who holds the lock; a reader makes those that are
// missing, or that it cannot use, for itself under its cache. They say their own
// layout: one of another program is made anew, and no damage. Answers are
// proven: a value that does not match its hash, or an index entry that is
// missing from its chain, is an error that wraps [ErrDamaged], never a wrong
// answer. [Check] holds a whole store against itself.
//
// bbolt checks no page of a database, and damage can lead it astray without
// end. So each database is proven page by page, in bounded steps and without
// bbolt, before bbolt opens it: every page is where it says, in order, and used
// or free exactly once. That leaves nothing to catch for a process of its own
// with a time limit, but a disk that never answers, which would hold the
// segments too. A file that is cut while it is mapped raises a fault in the
// goroutine that owns it, where it is returned as damage.
//
// [Backup] copies a log while it is written, and [Rebuild] makes a new store
// of what a damaged one still holds. What either makes is a copy: it is read,
// and never written to. [Continue] begins the next generation of the log on a
// copy, so that records of the old station that came after it are never taken
// for records of the new one.
//
// Store, Follower and Reader are safe for concurrent use. All use of a
// database is in one goroutine of its own; callers own what they are given.
// Times are UTC, sizes and offsets bytes.
package store
