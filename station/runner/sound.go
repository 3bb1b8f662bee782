package runner

import (
	"context"
	"fmt"
	"strings"

	"example.org/panecal/protocol"
)

// unsoundError says what a unit reports of itself that keeps it from being
// released.
type unsoundError struct{ why string }

func (e *unsoundError) Error() string { return "the unit reports a fault: " + e.why }

// sound asks for the unit's status where no capture runs: its emitter must be
// off, and no fault set but those tolerated.
func (w *worker) sound(ctx context.Context, when string, tolerated uint32) error {
	s, err := w.line.Status(ctx)
	if err != nil {
		return err
	}
	var what []string
	if s.EmitterOn {
		what = append(what, "emitter on outside a capture")
	}
	if faults := s.Faults &^ tolerated; faults != 0 {
		what = append(what, faultNames(faults))
	}
	if len(what) == 0 {
		return nil
	}
	return &unsoundError{strings.Join(what, ", ") + ", " + when}
}

// faultNames says the faults of a status in words.
func faultNames(faults uint32) string {
	var names []string
	for _, f := range []struct {
		bit  uint32
		name string
	}{
		{protocol.FaultEmitter, "emitter"}, {protocol.FaultDetector, "detector"},
		{protocol.FaultConstants, "constants not whole"}, {protocol.FaultTemperature, "temperature"}, {protocol.FaultMemory, "memory"},
	} {
		if faults&f.bit != 0 {
			names = append(names, f.name)
			faults &^= f.bit
		}
	}
	if faults != 0 {
		names = append(names, fmt.Sprintf("fault bits %#x", faults))
	}
	return strings.Join(names, ", ")
}
