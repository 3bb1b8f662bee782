package station

import (
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// Token ties an answer to the effect that asked for it. It is 0 where nothing
// is awaited.
type Token uint64

// Event is something that happened.
type Event struct {
	At    time.Time // when; events come in order of time
	Nest  int       // index of the nest it concerns, NoNest for the station
	Token Token     // of the effect it answers
	Fact  Fact
}

// Fact says what happened: one of the types below.
type Fact interface{ fact() kind }

// Trouble says how an effect failed.
type Trouble uint8

// The troubles. A zero Failure is success.
const (
	Silent  Trouble = iota + 1 // no valid answer within the tries allowed
	Reset                      // the unit restarted, or another unit answers
	Denied                     // the other side understood and refused
	Short                      // the capture ended before its last shot
	Broke                      // everything else: port gone, store error, bug
	Garbled                    // what the unit answers breaks the protocol, or contradicts itself
	Unsound                    // the unit reports a fault, or emits when it should not
)

func (t Trouble) String() string {
	names := [...]string{0: "none", Silent: "silent", Reset: "reset", Denied: "denied", Short: "short", Broke: "broke", Garbled: "garbled",
		Unsound: "unsound"}
	if int(t) < len(names) {
		return names[t]
	}
	return "unknown"
}

// Failure is embedded in every answer; the zero value is success. Why is the
// whole chain of errors.
type Failure struct {
	Trouble Trouble
	Why     string
}

func (f Failure) failure() Failure { return f }

// Answers to effects.
type (
	// Done answers Open, Move, Write and Halt.
	Done struct{ Failure }
	// Identified answers Identify and Restart.
	Identified struct {
		Failure
		Identity protocol.Identity
	}
	// Reported answers Report.
	Reported struct {
		Failure
		Status protocol.Status
	}
	// BlockRead answers ReadBlock, Void and Mark: the constants block as the unit
	// holds it, empty where it holds none.
	BlockRead struct {
		Failure
		Raw []byte
	}
	// Recalled answers Recall: what the log holds about a serial and about a
	// unit identity, oldest first.
	Recalled struct {
		Failure
		BySerial, ByUnitID []record.Entry
		// Head is the last record of the log, zero for not known, and Began the
		// sequence after which its generation began.
		Head  record.Ref
		Began uint64
	}
	// Allowed answers Ask. Denied is the gate's no, Why its reason; Silent: it did
	// not answer in time.
	Allowed struct {
		Failure
		Request string // as the gate names it
	}
	// Stored answers Append: the record is durable.
	Stored struct {
		Failure
		Ref record.Ref
	}
	// Saved answers Save: the captures are durable.
	Saved struct {
		Failure
		Refs []record.CaptureRef
	}
	// Captured answers Capture.
	Captured struct {
		Failure
		Capture *protocol.Capture
		Wire    record.Wire // counted on the line during this capture
	}
	// EmptyEstimated answers EstimateEmpty.
	EmptyEstimated struct {
		Failure
		Leakage *estimate.Leakage
	}
	// TargetEstimated answers EstimateTarget.
	TargetEstimated struct {
		Failure
		Offsets *estimate.Offsets
		// Constants are what Offsets and the leakage give; ProjectionMM the
		// range errors that the product's stated change of leakage would
		// cause at its working distances.
		Constants    estimate.Constants
		ProjectionMM []float64
	}
	// VerifyEstimated answers EstimateVerify.
	VerifyEstimated struct {
		Failure
		Verification *estimate.Verification
	}
	// Expired answers SetTimer.
	Expired struct{}
)

// Facts that nothing asked for.
type (
	// Started is the first event of a machine.
	Started struct{}
	// Tick says that time has passed. Once a second is enough.
	Tick struct{}
	// Progressed tells how many shots of the capture awaited were fired.
	Progressed struct{ Done int64 }
	// Scanned is a label read. In an event with a nest the label is for that
	// nest, as if the nest's own label had been scanned with it.
	Scanned struct{ Text string }
	// Go is the operator's key, foot pedal or command label for "go on".
	Go struct{}
	// Skip ends what the nest does, on record.
	Skip struct{}
	// Unpowered says that a person has made sure that the nest has no power.
	Unpowered struct{}
	// Crew says who is at the station and on what it works from now on.
	Crew struct {
		Operator, WorkOrder, Lot         string
		WindowLot, GasketLot, EmitterLot string // of the units' parts, "" for not known
		Quantity                         int    // units of the work order, 0 for not known
		Anew                             bool   // a shift begins: the counters start anew
	}
	// TakeUp brings released files into force, per nest between units; or another
	// roster; or says why files that came in were not taken up.
	TakeUp struct {
		Files   *Files
		Refused string          // "" where Files are to be taken
		Roster  record.Revision // zero where none came: for attempts that begin from now on
		Leads   []string        // of the roster
	}
	// OpenBox says that good units go into another box from now on, and those of
	// Takes, which waited for it, lie in it.
	OpenBox struct {
		Number string
		Takes  []string // serials
	}
	// Unreadable says that the label of the unit in the hand, or of the one that lies
	// in a nest without a label, cannot be read.
	Unreadable struct{}
	// Rest says that the people pause, or that they are back.
	Rest struct{ On bool }
	// Remark is what is wrong beside the attempts in hand, with the log or the
	// clock; "" for nothing.
	Remark struct {
		Checkpoint string // why none could be written
		Damage     string // where the log is not what was written
		Clock      string // what the clock says that does not fit the log
		LogEnds    string // and when its last record was made
		ClockFits  bool   // again
	}
	// Disposed are changes of disposition that were decided, and are on record.
	Disposed struct{ Changes []*record.DispositionChange }
	// LiftStop ends the stop of the nest, on record.
	LiftStop struct{ By, Method string }
	// Shutdown ends the station: emitters off, attempts recorded as aborted.
	Shutdown struct{ Why string }
	// Crashed says that what serves the nest failed inside the program.
	Crashed struct{ Why string }
)

// kind names the facts for the table of transitions.
type kind string

const (
	kDone            kind = "done"
	kIdentified      kind = "identified"
	kReported        kind = "reported"
	kBlockRead       kind = "block read"
	kRecalled        kind = "recalled"
	kAllowed         kind = "allowed"
	kStored          kind = "stored"
	kSaved           kind = "saved"
	kCaptured        kind = "captured"
	kEmptyEstimated  kind = "empty estimated"
	kTargetEstimated kind = "target estimated"
	kVerifyEstimated kind = "verify estimated"
	kExpired         kind = "expired"
	kStarted         kind = "started"
	kTick            kind = "tick"
	kProgressed      kind = "progressed"
	kScanned         kind = "scanned"
	kGo              kind = "go"
	kSkip            kind = "skip"
	kUnpowered       kind = "unpowered"
	kCrew            kind = "crew"
	kTakeUp          kind = "take up"
	kRemark          kind = "remark"
	kDisposed        kind = "disposed"
	kOpenBox         kind = "open box"
	kRest            kind = "rest"
	kUnreadable      kind = "unreadable"
	kLift            kind = "lift"
	kShutdown        kind = "shutdown"
	kCrashed         kind = "crashed"
	kNothing         kind = "nothing"
)

func (Done) fact() kind            { return kDone }
func (Identified) fact() kind      { return kIdentified }
func (Reported) fact() kind        { return kReported }
func (BlockRead) fact() kind       { return kBlockRead }
func (Recalled) fact() kind        { return kRecalled }
func (Allowed) fact() kind         { return kAllowed }
func (Stored) fact() kind          { return kStored }
func (Saved) fact() kind           { return kSaved }
func (Captured) fact() kind        { return kCaptured }
func (EmptyEstimated) fact() kind  { return kEmptyEstimated }
func (TargetEstimated) fact() kind { return kTargetEstimated }
func (VerifyEstimated) fact() kind { return kVerifyEstimated }
func (Expired) fact() kind         { return kExpired }
func (Started) fact() kind         { return kStarted }
func (Tick) fact() kind            { return kTick }
func (Progressed) fact() kind      { return kProgressed }
func (Scanned) fact() kind         { return kScanned }
func (Go) fact() kind              { return kGo }
func (Skip) fact() kind            { return kSkip }
func (Unpowered) fact() kind       { return kUnpowered }
func (Crew) fact() kind            { return kCrew }
func (TakeUp) fact() kind          { return kTakeUp }
func (OpenBox) fact() kind         { return kOpenBox }
func (Rest) fact() kind            { return kRest }
func (Unreadable) fact() kind      { return kUnreadable }
func (Remark) fact() kind          { return kRemark }
func (Disposed) fact() kind        { return kDisposed }
func (LiftStop) fact() kind        { return kLift }
func (Shutdown) fact() kind        { return kShutdown }
func (Crashed) fact() kind         { return kCrashed }

// answer is a fact that an effect awaits and that can be a failure.
type answer interface {
	Fact
	failure() Failure
}
