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
//	journal-00000001.index
//	                       where each record of a segment stands, and what it is
//	                       filed under (indexfile.go); eight of them become one,
//	                       journal-00000001-00000008.index, and so on
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
// reads through [Follow], live or a copy. Both offer the same [Reader]: records
// and where they stand by [Topic], in the order of time or of the log, and
// [Reader.Attempts], which streams a [Row] an attempt through a [Filter] in
// constant memory and reads only the columns asked for:
//
//	err := reader.Attempts(store.Filter{Product: "hopper-54", Since: monday},
//		[]quantity.Name{quantity.LeakageMax}, func(r *store.Row) error {
//			high, ok := r.Quantities.High(quantity.LeakageMax, 2) // value + 2 u, of the worst zone
//			…
//		})
//
// [Reader.Blocks] gives the same attempts as columns, some hundred at a time, and
// [Reader.Stretches] some thousand at a time, several in parallel, each with what
// the reader has derived of it and keeps in its own folder (see [Kept]).
//
// Files of index and columns are derived, and immutable but for the index of the
// segment that is being written, which is replaced. Who holds the lock makes them.
// A reader uses those it understands and goes through the rest of the segments by
// itself; what it finds there it keeps under its cache, or in memory. They say
// their own layout: one of another program is made anew, and no damage. Losing
// them costs time. Headers of segments carry the digests of those made before,
// for [Check].
//
// There is no database: index and tail answer all that the station asks, and a
// second copy of the truth would want proving of its own. Answers are proven: a
// value that does not match its hash, or a page of an index that is not what was
// written, is never a wrong answer but passed over for the segments, or an error
// that wraps [ErrDamaged]. [Check] holds a whole store against itself.
//
// [Backup] copies a log while it is written, and [Rebuild] makes a new store
// of what a damaged one still holds. What either makes is a copy: it is read,
// and never written to. [Continue] begins the next generation of the log on a
// copy, so that records of the old station that came after it are never taken
// for records of the new one.
//
// Store, Follower and Reader are safe for concurrent use. All use of an
// index is in one goroutine of its own; callers own what they are given.
// Times are UTC, sizes and offsets bytes.
package store
