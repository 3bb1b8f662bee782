package logs

import (
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Examine tells a doctor what is on record against the log and waits for people:
// what units testified and no lead has explained, and damage that the station
// found while it worked. say takes state, subject, mend and what there is to say.
func Examine(f *store.Follower, leads []string, say func(state, subject, mend, format string, args ...any)) {
	list, err := f.Unexplained(leads)
	switch {
	case err != nil:
		say("look", "witness", "run `panecal log check`", "not known: %v", err)
	case len(list) > 0:
		t := list[len(list)-1]
		say("bad", "witness", "find out how it came, then let a lead say so: panecal note SERIAL 'statement: …'", "%d units contradict the log; unit %s, record %d: %s", len(list), t.Serial, t.Ref.Sequence, t.Why)
	default:
		say("ok", "witness", "", "no unit contradicts the log")
	}
	damage, err := f.Positions(store.Kind, record.KindLogDamage.String())
	switch {
	case err != nil:
		say("look", "found while working", "run `panecal log check`", "not known: %v", err)
	case len(damage) > 0:
		say("look", "found while working", "run `panecal log check`", "the station found its log damaged, last on %s: record %d", damage[len(damage)-1].Time.Format("2006-01-02"), damage[len(damage)-1].Ref.Sequence)
	}
}
