package station

import (
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// Effect is something to carry out. With a Token its answer is awaited, as an
// event with the same nest and token.
type Effect struct {
	Nest  int
	Token Token
	Job   Job
}

// Name says in words what kind of job it is.
func (e Effect) Name() string { return e.Job.job() }

// Job says what is to be done: one of the types below.
type Job interface{ job() string }

// Jobs for the unit in a nest. The nest's port does one at a time; Halt
// ends the one that is running.
type (
	// Open opens the nest's port; a port that is open is closed first.
	Open struct{}
	// Identify asks the unit who it is. Quick: silence is the usual answer of
	// an empty nest and must be told within a fraction of a second.
	Identify struct{ Quick bool }
	// Report asks for the unit's status.
	Report struct{}
	// ReadBlock reads the constants block that the unit holds.
	ReadBlock struct{}
	// Void makes the constants in the unit void, bearing a witness, and reads back
	// what the unit holds then.
	Void struct{ Witness protocol.Witness }
	// Capture takes one capture; the unit's status is read before and after it.
	Capture struct {
		Name    string // "empty", "target", "ranges", "verify"; "look" for a short one
		Request protocol.CaptureRequest
		// Tolerated are faults that the unit may report meanwhile.
		Tolerated uint32
	}
	// Write stages and commits a constants block, then reads the unit's status.
	Write struct{ Block []byte }
	// Restart lets the unit begin anew, as after a cut of its power, and asks
	// who it is. Power: the nest whose fixture takes it away, nil for the unit's own.
	Restart struct{ Power *product.Nest }
	// Mark puts the released mark into the block the unit holds and reads the
	// block back.
	Mark struct{ Block []byte }
	// Halt ends the job that is running and switches the emitter off. Reopen:
	// the port is closed then, and opened anew for the next job.
	Halt struct{ Reopen bool }
)

// Jobs for the rest of the station.
type (
	// Recall looks up what the log holds about a serial and a unit identity.
	Recall struct{ Serial, UnitID string }
	// Ask asks the gate whether the unit may start.
	Ask struct {
		Nest, Serial, UnitID    string
		Product, WorkOrder, Lot string
		Attempt                 int
	}
	// Move asks the fixture to bring the target to a place. Denied: the lid is open.
	Move struct {
		Nest product.Nest
		To   Position
	}
	// Append makes a record durable.
	Append struct{ Body record.Body }
	// Save makes raw captures durable, those of Keep among them.
	Save struct{ Captures []*record.Capture }
	// EstimateEmpty computes the leakage; one of Histogram and Summary is set.
	EstimateEmpty struct {
		By        *estimate.Estimator
		Histogram *estimate.Histogram
		Summary   *estimate.Summary
	}
	// EstimateTarget computes the offsets, the constants and the projection.
	EstimateTarget struct {
		By        *estimate.Estimator
		Leakage   *estimate.Leakage
		Histogram *estimate.Histogram // nil for a unit that reports summaries only
		Summary   *estimate.Summary   // the unit's own ranges, compensation off, where the product wants them
		Reference estimate.Reference
	}
	// EstimateVerify computes the error that is left with the constants on.
	EstimateVerify struct {
		By        *estimate.Estimator
		Constants estimate.Constants // as read back
		Histogram *estimate.Histogram
		Summary   *estimate.Summary // the unit's own ranges, compensation on
		Reference estimate.Reference
		Offsets   *estimate.Offsets
	}
	// SetTimer is answered by Expired after that time.
	SetTimer struct{ After time.Duration }
)

// Jobs that have no answer.
type (
	// Keep makes a raw capture durable while the unit goes on, so that little
	// is left for Save, which answers for it.
	Keep struct{ Capture *record.Capture }
	// Show tells a verdict. What it says is on record.
	Show struct{ Verdict Verdict }
	// Tell gives the gate the result.
	Tell struct{ Verdict Verdict }
	// Announce tells something once.
	Announce struct{ Message Message }
	// Ignore says why the event changed nothing; for the program's log.
	Ignore struct{ Why string }
)

func (Open) job() string           { return "open" }
func (Identify) job() string       { return "identify" }
func (Report) job() string         { return "report" }
func (ReadBlock) job() string      { return "read block" }
func (Void) job() string           { return "void" }
func (Capture) job() string        { return "capture" }
func (Write) job() string          { return "write" }
func (Restart) job() string        { return "restart" }
func (Mark) job() string           { return "mark" }
func (Halt) job() string           { return "halt" }
func (Recall) job() string         { return "recall" }
func (Ask) job() string            { return "ask" }
func (Move) job() string           { return "move" }
func (Append) job() string         { return "append" }
func (Save) job() string           { return "save" }
func (EstimateEmpty) job() string  { return "estimate empty" }
func (EstimateTarget) job() string { return "estimate target" }
func (EstimateVerify) job() string { return "estimate verify" }
func (SetTimer) job() string       { return "set timer" }
func (Keep) job() string           { return "keep" }
func (Show) job() string           { return "show" }
func (Tell) job() string           { return "tell" }
func (Announce) job() string       { return "announce" }
func (Ignore) job() string         { return "ignore" }
