package station

// heard says what came of a scan: whether it was taken, and the code that was
// announced with it, "" for none.
func heard(effects []Effect) (code Code, taken bool) {
	taken = true
	for _, e := range effects {
		a, ok := e.Job.(Announce)
		if !ok {
			continue
		}
		code = a.Message.Code
		if code.Meaning().Class == Refused || code == NoticeTwice || code == NoticeIgnored {
			return code, false
		}
	}
	return code, taken
}

// logScan notes every scan with what came of it: whoever wonders later why a
// label did nothing finds it in the program's log.
func (r *Runner) logScan(e Event, effects []Effect) {
	s, ok := e.Fact.(Scanned)
	if !ok {
		return
	}
	code, taken := heard(effects)
	r.opt.Logger.Info("scan", "text", s.Text, "taken", taken, "code", code)
}
