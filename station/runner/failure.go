package runner

import (
	"context"
	"errors"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/station"
)

// failureOf sorts an error into the kinds of trouble; nil is success.
func failureOf(err error) station.Failure {
	if err == nil {
		return station.Failure{}
	}
	var refused *protocol.RefusedError
	var ended *protocol.EndedError
	var malformed *protocol.MalformedError
	f := station.Failure{Trouble: station.Broke, Why: err.Error()}
	var unsound *unsoundError
	switch {
	case errors.Is(err, station.ErrGuarded):
		f.Trouble = station.Denied
	case errors.As(err, &unsound):
		f.Trouble, f.Why = station.Unsound, unsound.why
	case errors.Is(err, protocol.ErrPortLost):
	case errors.As(err, &ended):
		f.Trouble = station.Short
	case errors.Is(err, protocol.ErrReset):
		f.Trouble = station.Reset
	case errors.As(err, &refused):
		f.Trouble = station.Denied
	case errors.As(err, &malformed):
		f.Trouble = station.Garbled
		if clause := conform.Fault(malformed.Payload, malformed.Announced); clause != "" {
			f.Why = "clause " + clause
		}
	case errors.Is(err, protocol.ErrInconsistent):
		f.Trouble = station.Garbled
	case errors.Is(err, protocol.ErrNoAnswer), errors.Is(err, protocol.ErrBusyTooLong), errors.Is(err, context.DeadlineExceeded):
		f.Trouble = station.Silent
	}
	return f
}

// failed is the answer that says that a job was not done.
func failed(j station.Job, f station.Failure) station.Fact {
	switch j.(type) {
	case station.Identify, station.Restart:
		return station.Identified{Failure: f}
	case station.Report:
		return station.Reported{Failure: f}
	case station.ReadBlock, station.Void, station.Mark:
		return station.BlockRead{Failure: f}
	case station.Capture:
		return station.Captured{Failure: f}
	case station.Recall:
		return station.Recalled{Failure: f}
	case station.Ask:
		return station.Allowed{Failure: f}
	case station.Append:
		return station.Stored{Failure: f}
	case station.Save:
		return station.Saved{Failure: f}
	case station.EstimateEmpty:
		return station.EmptyEstimated{Failure: f}
	case station.EstimateTarget:
		return station.TargetEstimated{Failure: f}
	case station.EstimateVerify:
		return station.VerifyEstimated{Failure: f}
	}
	return station.Done{Failure: f}
}
