package plantwide

import (
	"fmt"
	"time"
)

// answeredWithin is how old the history's last answer may be before the doctor says so.
const answeredWithin = 15 * time.Minute

// Examine tells the doctor how the forwarder of the store in folder goes; nothing
// where there never was one.
func Examine(folder string, now time.Time, say func(state, subject, mend, format string, args ...any)) {
	s, found, err := ReadForwarded(folder)
	const subject = "history"
	at := fmt.Sprintf("%s: record %d of %d is there, %d are not yet", s.To, s.Sequence, s.Head, s.Lag)
	switch age := now.Sub(s.Time); {
	case !found:
	case err != nil:
		say("look", subject, "see who may read it", "%v", err)
	case s.Refused != "":
		say("bad", subject, "keep the folder as it is, find out which of the two is the station's log, and see `panecal log check`", "%s takes nothing more, %s: %s", s.To, s.Refused, s.Error)
	case s.Error != "":
		say("look", subject, "see to the network and the history; the station works without", "%s; last answer %s: %s", at, s.Time.Format(time.RFC3339), s.Error)
	case age > answeredWithin || age < 0:
		say("look", subject, "see whether `panecal forward` runs", "%s; nothing was said since %s", at, s.Time.Format(time.RFC3339))
	default:
		say("ok", subject, "", "%s", at)
	}
}
