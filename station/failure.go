package station

import (
	"context"
	"errors"

	"example.org/panecal/protocol"
)

// failureOf sorts an error into the kinds of trouble; nil is success.
func failureOf(err error) Failure {
	if err == nil {
		return Failure{}
	}
	var refused *protocol.RefusedError
	var ended *protocol.EndedError
	f := Failure{Trouble: Broke, Why: err.Error()}
	switch {
	case errors.Is(err, protocol.ErrPortLost):
	case errors.As(err, &ended):
		f.Trouble = Short
		if ended.Progress.End == protocol.SessionGone {
			f.Trouble = Reset
		}
	case errors.Is(err, protocol.ErrReset):
		f.Trouble = Reset
	case errors.As(err, &refused), errors.Is(err, protocol.ErrInconsistent):
		f.Trouble = Denied
	case errors.Is(err, protocol.ErrNoAnswer), errors.Is(err, protocol.ErrBusyTooLong), errors.Is(err, context.DeadlineExceeded):
		f.Trouble = Silent
	}
	return f
}

// failed is the answer that says that a job was not done.
func failed(j Job, f Failure) Fact {
	switch j.(type) {
	case Identify:
		return Identified{Failure: f}
	case Report:
		return Reported{Failure: f}
	case ReadBlock, Mark:
		return BlockRead{Failure: f}
	case Capture:
		return Captured{Failure: f}
	case Recall:
		return Recalled{Failure: f}
	case Ask:
		return Allowed{f}
	case Append:
		return Stored{Failure: f}
	case Save:
		return Saved{Failure: f}
	case EstimateEmpty:
		return EmptyEstimated{Failure: f}
	case EstimateTarget:
		return TargetEstimated{Failure: f}
	case EstimateVerify:
		return VerifyEstimated{Failure: f}
	}
	return Done{f}
}
