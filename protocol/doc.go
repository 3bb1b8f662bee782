// Package protocol is the wire between a calibration station and a ranging
// unit: packets, messages, the constants block, and the station's client.
// SPEC.md beside it is the law for both sides, panecal.cddl its grammar;
// this package is one implementation, and exports the unit's side of the
// codec too ([DecodeRequest], [AppendAnswer], [Scanner]) so that a simulated
// unit needs no second one.
//
// It opens no port (package link does), knows no product and judges nothing.
//
// Units are in the names: milli-degrees Celsius, micrometres, femtoseconds,
// milliseconds. Counts are raw photon counts. Nothing on the wire is a
// floating-point number.
//
// A [Client] owns its [Port] while a method runs and may be used by several
// goroutines: calls are carried out one after the other, several requests of
// one call being in flight together. Whoever opened the port closes it.
//
// Bytes from the line are hostile: decoding them allocates no more than the
// packet that was received, never panics, and refuses what is not
// deterministic CBOR of the subset that SPEC.md states.
//
// Errors: [ErrNoAnswer], [ErrReset], [ErrPortLost], [ErrBusyTooLong],
// [ErrInconsistent], [*RefusedError], [*EndedError]; all wrapped with what
// was being done.
package protocol
