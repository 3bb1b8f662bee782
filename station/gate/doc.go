// Package gate asks the line, by files in a folder, whether a unit may start, and
// tells it how each ended. station/GATE.md describes the files for whoever
// writes the other side.
//
// A [Folder] is a [station.Gate]. It is no message bus, and it decides nothing:
// what follows from silence is the station's own choice. One goroutine alone,
// that of [Folder.Serve], touches the shared folder, so that a share that hangs,
// is full or is gone holds nobody but itself: questions time out, and results wait
// in a folder of the station's own disk, in order, through restarts too. All
// other methods may be called from any goroutine. Times are the clock's of
// [Options]; what others wrote is read with a bound and believed only for the
// request that it names.
package gate
