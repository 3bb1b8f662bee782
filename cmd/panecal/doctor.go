package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/metrics"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/visible"
)

// finding is one line of the doctor's report.
type finding struct {
	Subject string `json:"subject"`
	State   string `json:"state"` // "ok", "look" or "bad"
	Text    string `json:"text"`
	Mend    string `json:"mend,omitempty"`
}

func newDoctor(where *place) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "doctor",
		Short: "Show where everything is and what is wrong with it",
		Long: `Shows versions, paths, free space, files, ports and the latency of their
adapters, the clock, the terminal, the head of the log, its last check and
backup, and the age of the last check unit, each with what to do about it. It
changes nothing. Exit code 3 where something is bad.`,
		Example: "  panecal doctor\n  panecal doctor --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			all := examine(*where)
			var err error
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), struct {
					Schema   string    `json:"schema"`
					Findings []finding `json:"findings"`
				}{"panecal.doctor/1", all})
			} else {
				for _, f := range all {
					fmt.Fprintf(c.OutOrStdout(), "%-4s  %-12s %s\n", f.State, f.Subject, visible.Text(f.Text))
					if f.Mend != "" {
						fmt.Fprintf(c.OutOrStdout(), "%19s-> %s\n", "", visible.Text(f.Mend))
					}
				}
			}
			if err != nil {
				return err
			}
			for _, f := range all {
				if f.State == "bad" {
					return &cli.QuietError{Code: cli.ExitFailed}
				}
			}
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func examine(where place) []finding {
	var all []finding
	say := func(state, subject, mend, format string, args ...any) {
		all = append(all, finding{subject, state, fmt.Sprintf(format, args...), mend})
	}
	b := thisBuild()
	if b.Modified {
		say("look", "program", "use a release for production", "panecal %s, built from changed sources, %s %s", b.Version, b.Go, b.Platform)
	} else {
		say("ok", "program", "", "panecal %s, %s %s", b.Version, b.Go, b.Platform)
	}
	now := time.Now()
	synced, known := clockState()
	examineClock(now.UTC().Format(time.RFC3339), synced, known, say)
	say("ok", "diagnostics", "", "%s", logPath())

	config, err := where.readConfig()
	if exitCode(err) == cli.ExitRefused {
		say("bad", "config", "run `panecal init`, or name the file with --config", "%v", err)
	} else if err != nil {
		say("bad", "config", "mend the file as it says", "%v", err)
	} else {
		say("ok", "config", "", "%s, station %s", config.path, config.Station)
		if guard.Blind {
			say("look", "permissions", "let only administrators write in "+config.folder(), "this program cannot read the access list of this system's folders")
		}
		folder, _ := where.storeFolder() // what is wrong with it is said below
		if state, text, mend := metrics.Examine(config.file(config.Metrics)); state != "" {
			say(state, "metrics", mend, "%s", text)
		}
		examineFiles(config, filepath.Dir(folder), say)
	}
	if folder, err := where.storeFolder(); err != nil {
		say("bad", "store", "mend the configuration", "%v", err)
	} else {
		examineStore(where, folder, config, now, say)
	}
	terminal := os.Getenv("TERM")
	if runtime.GOOS != "windows" && (terminal == "" || terminal == "dumb") {
		say("look", "terminal", "use `panecal shift --plain`", "TERM=%q cannot draw the screen", terminal)
	} else {
		say("ok", "terminal", "", "TERM=%q", terminal)
	}
	return all
}

type sayer func(state, subject, mend, format string, args ...any)

func examineFiles(config configuration, beside string, say sayer) {
	files, err := config.catalogue()
	if err != nil {
		say("bad", "files", "mend the file at the place named", "%v", err)
		return
	}
	for _, f := range files {
		state, mend := "ok", ""
		if !f.Signed() {
			state, mend = "look", "records of this station say signed: false"
		}
		say(state, "product", mend, "%s, limits %.12s, product %.12s, unsigned files", f.Product.Name, f.Limits.Revision, f.Product.Revision)
	}
	for _, n := range files[0].Sheet.Nests {
		switch {
		case n.Due.Before(time.Now()):
			say("bad", "nest "+n.Name, "have the fixture measured again and release a new station sheet", "certificate %s ended %s", n.Certificate, n.Due.Format(time.DateOnly))
		default:
			say("ok", "nest "+n.Name, "", "target at %g ± %g mm, certificate %s until %s", n.DistanceMM, n.DistanceUMM, n.Certificate, n.Due.Format(time.DateOnly))
		}
		examinePort(n.Name, n.Port, serialDrivers, say)
	}
	if state, text, mend := config.Gate.Examine(config.folder(), beside); state != "" {
		say(state, "gate", mend, "%s", text)
	}
	if _, err := config.bridge(files[0].Sheet.Nests); err != nil {
		say("look", "bridge", "until then `panecal shift` does not start; without a bridge, write the serial ports into the station sheet", "%v", err)
	}
}

// followerCache is where reading commands keep what they make for themselves.
func followerCache() string { return filepath.Join(xdg.CacheHome, "panecal") }
