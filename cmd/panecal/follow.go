package main

import (
	"os"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/store"
)

// follow opens a reader of the log; the caller closes it.
func (p place) follow() (f *store.Follower, folder string, err error) {
	folder, err = p.storeFolder()
	if err != nil {
		return nil, "", err
	}
	f, err = store.FollowTelling(folder, followerCache(), logs.Progress(os.Stderr, "going through an older log"))
	if err != nil {
		return nil, "", logs.Error("reading the log", folder, err)
	}
	return f, folder, nil
}

func newExport(where *place) *cobra.Command {
	return desk.NewExport(where.log)
}

// log is follow for the desk.
func (p *place) log() (*store.Follower, error) {
	f, _, err := p.follow()
	return f, err
}

// zone is the site's, or without a configuration this computer's.
func (p *place) zone() *time.Location {
	if c, err := p.readConfig(); err == nil {
		return c.site
	}
	return time.Local
}
