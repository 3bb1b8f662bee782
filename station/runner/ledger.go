package runner

import (
	"log/slog"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// ledger is the one way into the log, for the machine's records and for those
// of the people at the station. What the log did not acknowledge may be there
// or not: the same is given once more, before anything else is, which settles
// it (see [station.Log]). Where that fails too, it was not acknowledged, and
// whoever gave it must not build on it.
type ledger struct {
	log    station.Log
	logger *slog.Logger
	turn   chan struct{} // holds the token of whoever may append
}

func newLedger(log station.Log, logger *slog.Logger) *ledger {
	l := &ledger{log: log, logger: logger, turn: make(chan struct{}, 1)}
	l.turn <- struct{}{}
	return l
}

func (l *ledger) append(b record.Body) (record.Ref, error) {
	return settled(l, "appending to the log", b.Kind().String(), func() (record.Ref, error) { return l.log.Append(b) })
}

func (l *ledger) appendCapture(c record.Capture) (record.CaptureRef, error) {
	return settled(l, "keeping a capture", c.Name, func() (record.CaptureRef, error) { return l.log.AppendCapture(c) })
}

func settled[T any](l *ledger, doing, what string, do func() (T, error)) (T, error) {
	<-l.turn
	defer func() { l.turn <- struct{}{} }()
	v, err := do()
	if err != nil {
		l.logger.Error(doing, "what", what, "error", err)
		v, err = do()
	}
	return v, err
}
