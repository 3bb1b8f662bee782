package main

import (
	"fmt"
	"log/slog"
	"path/filepath"

	"example.org/panecal/station"
	"example.org/panecal/store"
)

// keepCheckpoints begins to write checkpoints of the log beside the store and
// into the folders that the configuration names.
func (w *workplace) keepCheckpoints(o workplaceOptions, logger *slog.Logger) error {
	secret, _, err := store.StationKey(o.folder)
	if err != nil {
		return err
	}
	folders := []string{filepath.Join(filepath.Dir(filepath.Clean(o.folder)), store.CheckpointFolder)}
	for _, folder := range o.config.Checkpoints {
		folders = append(folders, o.config.file(folder))
	}
	w.notes = store.KeepCheckpoints(w.store, secret, folders, func(folder string, err error) {
		if err == nil {
			logger.Info("checkpoints are written again", "folder", folder)
			return
		}
		logger.Warn("no checkpoint written", "folder", folder, "error", err)
		if o.talk != nil {
			fmt.Fprintf(o.talk, "panecal: no checkpoint of the log could be written: %v\n", err)
		}
		w.runner.Remark(station.Remark{Checkpoint: err.Error()})
	})
	return nil
}

// shown wakes what writes checkpoints once a verdict was shown.
func (w *workplace) shown(show func(station.Verdict)) func(station.Verdict) {
	return func(v station.Verdict) {
		if show != nil {
			show(v)
		}
		w.notes.Wake()
	}
}
