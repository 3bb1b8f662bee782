package runner

import "example.org/panecal/station"

// heard says what came of a scan: whether it was taken, and the code that was
// announced with it, "" for none.
func heard(effects []station.Effect) (code station.Code, taken bool) {
	taken = true
	for _, e := range effects {
		a, ok := e.Job.(station.Announce)
		if !ok {
			continue
		}
		code = a.Message.Code
		if code.Meaning().Class == station.Refused || code == station.NoticeTwice || code == station.NoticeIgnored {
			return code, false
		}
	}
	return code, taken
}

// logScan notes every scan with what came of it: whoever wonders later why a
// label did nothing finds it in the program's log.
func (r *Runner) logScan(e station.Event, effects []station.Effect) {
	s, ok := e.Fact.(station.Scanned)
	if !ok {
		return
	}
	code, taken := heard(effects)
	r.opt.Logger.Info("scan", "text", s.Text, "taken", taken, "code", code)
}
