package main

import (
	"os"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/cmd/panecal/plantwide"
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
	return desk.NewExport(where.history)
}

// log is follow for the desk.
func (p *place) log() (*store.Follower, error) {
	f, _, err := p.follow()
	return f, err
}

// sources is where commands read that answer from a history as well.
func (p *place) sources() plantwide.Sources {
	return plantwide.Sources{Data: p.data, Follow: p.follow, Remembered: p.remembered}
}

func (p *place) history() (desk.Log, error) { return p.sources().Log() }

// zone is the site's, or without a configuration this computer's.
func (p *place) zone() *time.Location {
	if c, err := p.readConfig(); err == nil {
		return c.site
	}
	return time.Local
}
