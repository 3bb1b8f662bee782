// Package link opens lines to units: serial ports (go.bug.st/serial) and
// loopback TCP, on whose other side a bridge program speaks to a unit with
// another protocol. A [Link] is a protocol.Port.
//
// It knows nothing of packets, and enumerates no ports: addresses come from
// the station sheet, best as stable names (by-path or adapter serial).
//
// A serial port is owned by one goroutine that opens, reads and closes it,
// with one writer beside it that it waits for; nobody else has the handle and
// nothing is called after the close. That keeps out what the library does
// otherwise (measured with v1.8.0 on Linux): a write after a close goes to
// whatever file has the number by then; a close does not stop a blocked
// write, whose bytes still leave; writes are cut short without an error and
// know no deadline; a timeout is (0, nil); a pulled line looks like one's own
// close. Closing a link is therefore never the same as an emitter that is
// off: the unit's own watchdog is.
//
// A port is open once at a time: a lock file per adapter says so even to
// root, who passes the kernel's exclusive mode.
//
// Read and Write may be called from different goroutines. Errors:
// [ErrClosed] after one's own Close, [ErrLost] when the line or the unit's end
// of it is gone or takes no bytes for a second, [*HeldError] for a port in
// use, os.ErrDeadlineExceeded at a read deadline.
package link
