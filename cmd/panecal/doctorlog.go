package main

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/cmd/panecal/plantwide"
	"example.org/panecal/limits/guard"
	"example.org/panecal/station"
	"example.org/panecal/station/inbox"
	"example.org/panecal/store"
)

// How old may be what should be done again and again.
const (
	checkedWithin = 31 * 24 * time.Hour // `log check`
	copiedWithin  = 7 * 24 * time.Hour  // `log backup`
)

// examineStore looks at a station's log without touching it.
func examineStore(where place, folder string, config configuration, now time.Time, say sayer) {
	f, err := store.Follow(folder, followerCache())
	if err != nil {
		mend := "copy the folder as it is, then run `panecal log check`"
		if errors.Is(err, store.ErrNoStore) {
			mend = "run `panecal init`, or name the folder with --data"
		}
		say("bad", "store", mend, "%s: %v", folder, err)
		return
	}
	defer f.Close()
	head, err := f.Head()
	if err != nil {
		say("bad", "store", "copy the folder as it is, then run `panecal log check`", "%s: %v", folder, err)
		return
	}
	say("ok", "store", "", "%s", folder)
	if problem, note, err := store.Ask(folder, where.beside(folder)); problem != nil {
		say("bad", "memory", "keep the folder as it is, and put the newest log back; `panecal log check` shows all of it", "%s: %v", problem.Fault, problem)
	} else if err != nil {
		say("look", "memory", "see who may read it", "%v", err)
	} else if note != "" {
		say("look", "memory", "take the newest copy for what counts", "%s", note)
	} else {
		say("ok", "memory", "", "the log is the one that is remembered outside it, or nothing is remembered here")
	}
	say("ok", "log head", "", "generation %d, record %d, %.16s…", head.Generation, head.Sequence, head.Hash)
	logs.Examine(f, where.beside(folder).Leads, say)
	examineSpace(folder, say)
	examineLogCheck(folder, head.Sequence, now, say)
	examineBackup(folder, head.Sequence, now, say)
	examineCheckUnit(f, config.rules.checkEvery, now, say)
	examineInbox(folder, config.Keys != "", say)
	plantwide.Examine(folder, now, say)
}

// examineInbox tells what others sent, and what of it was not taken.
func examineInbox(folder string, known bool, say sayer) {
	folder = inboxFolder(folder)
	waiting, refused, err := inbox.LookInto(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist) && !known:
		say("ok", "inbox", "", "none; `keys` in the configuration names whose notes are taken up")
	case errors.Is(err, fs.ErrNotExist):
		say("ok", "inbox", "", "%s, made when the station starts", folder)
	case err != nil:
		say("look", "inbox", "see who may read and write it", "%v", err)
	case refused > 0:
		say("look", "inbox", "read the reasons in "+filepath.Join(folder, inbox.RefusedFolder)+", then take those files away", "%d files wait, %d were refused", waiting, refused)
	case waiting > 0 && !known:
		say("look", "inbox", "name the file with the senders' public keys in the configuration: keys = \"keys.toml\"", "%d files wait, and nobody's key is known", waiting)
	default:
		say("ok", "inbox", "", "%s, %d files wait", folder, waiting)
	}
}

func examineSpace(folder string, say sayer) {
	free, total, err := space(folder)
	switch {
	case err != nil:
		say("look", "space", "see for yourself how full the disk is", "free space of %s is not known: %v", folder, err)
	case free < reserveOf(total):
		say("bad", "space", "free some space: the station starts no attempt below "+size(reserveOf(total)), "%s free", size(free))
	case free < spaceLook:
		say("look", "space", "free some space soon: a shift of 300 units takes about 20 MiB", "%s free", size(free))
	default:
		say("ok", "space", "", "%s free", size(free))
	}
}

// ago is how long ago something was, for people.
func ago(d time.Duration) string {
	switch {
	case d < 0:
		return "in the future"
	case d < time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}

func examineBackup(folder string, head uint64, now time.Time, say sayer) {
	const mend = "run `panecal log backup FOLDER` onto another disk"
	last, err := store.ReadLastBackup(folder)
	switch {
	case err != nil:
		say("look", "last backup", mend, "not known: %v", err)
	case last.Time.IsZero() && head == 0:
		say("ok", "last backup", "", "never; there is nothing to copy yet")
	case last.Time.IsZero():
		say("look", "last backup", mend, "never")
	default:
		state, do := "ok", ""
		if age := now.Sub(last.Time); age > copiedWithin || age < 0 {
			state, do = "look", mend
		}
		say(state, "last backup", do, "%s, %s, up to record %d, into %s", last.Time.Format(time.RFC3339), ago(now.Sub(last.Time)), last.Sequence, last.Into)
	}
}

// logChecked notes that a log was checked, outside the store, which a check
// does not touch.
type logChecked struct {
	Time     time.Time `json:"time"`
	Sequence uint64    `json:"sequence"`
	Problems int       `json:"problems"`
}

func logCheckedPath(folder string) (string, error) {
	folder, err := filepath.Abs(folder)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256([]byte(folder))
	return filepath.Join(xdg.StateHome, "panecal", "checked", fmt.Sprintf("%x.json", sum[:8])), nil
}

// noteLogCheck remembers a check for the doctor. A check that is not noted is
// a check all the same.
func noteLogCheck(folder string, at time.Time, sequence uint64, problems int) {
	l := logChecked{at, sequence, problems}
	path, err := logCheckedPath(folder)
	if err != nil {
		return
	}
	data, err := json.Marshal(l)
	if err != nil || os.MkdirAll(filepath.Dir(path), 0o750) != nil {
		return
	}
	_ = os.WriteFile(path, data, 0o640)
}

func examineLogCheck(folder string, head uint64, now time.Time, say sayer) {
	const mend = "run `panecal log check`; the station may work meanwhile"
	var last logChecked
	path, err := logCheckedPath(folder)
	if err == nil {
		var data []byte
		if data, err = guard.ReadFile(path); err == nil {
			err = json.Unmarshal(data, &last)
		}
	}
	at := fmt.Sprintf("%s, %s, up to record %d", last.Time.Format(time.RFC3339), ago(now.Sub(last.Time)), last.Sequence)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		say("look", "last check", mend, "never by this user")
	case err != nil:
		say("look", "last check", mend, "not known: %v", err)
	case last.Problems > 0:
		say("bad", "last check", "copy the store's folder as it is, then `panecal log rebuild`", "%s: %d damages", at, last.Problems)
	case now.Sub(last.Time) > checkedWithin || last.Time.After(now) || last.Sequence > head:
		say("look", "last check", mend, "%s: whole", at)
	default:
		say("ok", "last check", "", "%s: whole", at)
	}
}

// examineCheckUnit tells when a check unit was run last, and how it ended.
func examineCheckUnit(f *store.Follower, every time.Duration, now time.Time, say sayer) {
	var last store.Row
	err := f.Attempts(store.Filter{Purpose: station.Check}, nil, func(r *store.Row) error {
		if r.Time.After(last.Time) {
			last = *r
		}
		return nil
	})
	const mend = "run a check unit"
	state, do := "ok", ""
	switch age := now.Sub(last.Time); {
	case err != nil:
		say("look", "check unit", "run `panecal log check`", "not known: %v", err)
		return
	case last.Time.IsZero():
		if every > 0 {
			state, do = "look", mend
		}
		say(state, "check unit", do, "never run here")
		return
	case last.Outcome != station.Passed:
		state, do = "bad", "find out why before another unit is made: look at the nest's fixture, target and window"
	case every > 0 && age > every, age < 0:
		state, do = "look", mend
	}
	say(state, "check unit", do, "%s, %s, record %d: %s", last.Time.Format(time.RFC3339), ago(now.Sub(last.Time)), last.Sequence, last.Outcome)
}
