package station

import (
	"context"
	"errors"

	"example.org/panecal/protocol"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// Device is one unit as a nest's line reaches it; *protocol.Client is one.
// Methods return the errors of package protocol or the context's. When
// Capture returns, for whatever reason, it has told the unit to stop its
// emitter; when Commit fails, the unit holds the old block or the new one.
type Device interface {
	Identify(context.Context) (protocol.Identity, error)
	Status(context.Context) (protocol.Status, error)
	Capture(context.Context, protocol.CaptureRequest, func(protocol.Progress)) (*protocol.Capture, error)
	ReadConstants(context.Context) ([]byte, error)
	Stage(ctx context.Context, block []byte) error
	Commit(ctx context.Context, block []byte) error
	Void(context.Context, protocol.Witness) error
	Restart(context.Context) error
	Stop(context.Context) error
	Stats() protocol.Counters
}

// Line is an open line to a nest. Close frees the port; nothing is called
// after it.
type Line interface {
	Device
	Close() error
}

// Dialer opens the line of a nest. It is called from the nest's own
// goroutine, one call at a time for one nest.
type Dialer interface {
	Dial(context.Context, product.Nest) (Line, error)
}

// Log makes records durable; *store.Store is one. Methods are called one at a
// time. When a method returns nil, what it was given survives a power
// cut; when it returns an error, it may be there or not: the same body is
// given once more, which must settle it, and if that fails too nothing that
// depends on it is done or shown.
type Log interface {
	Append(record.Body) (record.Ref, error)
	AppendCapture(record.Capture) (record.CaptureRef, error)
}

// Past tells what the log holds, oldest first; *store.Store is one. Any
// goroutine may call it.
type Past interface {
	BySerial(serial string) ([]record.Entry, error)
	ByUnitID(id string) ([]record.Entry, error)
}

// Ends is a Past that also says where its log ends and where its generation
// began, so that the station can hold what units testify against it.
type Ends interface {
	Ends() (head record.Ref, began uint64, err error)
}

// Position is where a target is.
type Position string

// The positions.
const (
	TargetOut  Position = "out"
	TargetNear Position = "near" // at the sheet's distance
	TargetFar  Position = "far"  // at its second distance
)

// Lamp is what the lamp of a nest says.
type Lamp string

// What lamps say.
const (
	LampDark  Lamp = "dark"
	LampRun   Lamp = "run"   // the nest works
	LampHands Lamp = "hands" // hands are wanted
	LampStop  Lamp = "stop"  // the nest is stopped
)

// Fixture moves the target of the nests whose sheet names a driver. Without one the
// operator's hands do. Its methods return soon after ctx ends.
type Fixture interface {
	// Move returns when the target is there. It wraps [ErrGuarded] where the lid
	// is open, and nothing was asked for then; any other error stops the nest.
	Move(ctx context.Context, nest product.Nest, to Position) error
	// Cycle takes the unit's power away for a moment.
	Cycle(ctx context.Context, nest product.Nest) error
	// Lamp shows what is wanted when its turn comes.
	Lamp(ctx context.Context, nest product.Nest, wanted func() Lamp) error
}

// ErrGuarded: the lid is open, and so nothing was moved.
var ErrGuarded = errors.New("the lid is open")

// Gate may keep a unit from starting, and is told how it ended. An error of
// May refuses the unit and says why; one that wraps [ErrSilent] leaves it to
// [Config.Silence]. May returns the name of the request, for the record. Both
// return soon after ctx ends, whatever the gate's other side does. Without a gate
// every unit may start.
type Gate interface {
	May(ctx context.Context, ask Ask) (request string, err error)
	Result(ctx context.Context, v Verdict) error
}
