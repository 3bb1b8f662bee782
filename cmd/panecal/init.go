package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/cmd/panecal/sample"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
)

const sampleStation = "cal-1"

func newInit(where *place) *cobra.Command {
	name, continues := sampleStation, ""
	var asJSON bool
	c := &cobra.Command{
		Use:   "init",
		Short: "Make a store, a configuration and sample files",
		Long: `Makes an empty store, a configuration and, beside it, the sample product,
limits and station files to start from. Nothing that exists is overwritten.

With --data DIR everything goes into that one folder.

With --continues FOLDER the new store goes on from the log in that folder, a
copy made by ` + "`panecal log backup`" + ` or ` + "`panecal log rebuild`" + `, as its next generation: use it
for a new computer, and for a log that was damaged. The station's name is then
that of the log. A copy that was cut or changed is not taken.`,
		Example: "  panecal init --station S1\n  panecal --data /srv/cal-1 init --station cal-1\n  panecal init --continues /mnt/backup/cal-1",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if continues != "" && !c.Flags().Changed("station") {
				name = "" // the log knows
			}
			made, err := initStation(*where, name, continues)
			if err != nil {
				return err
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), made)
			}
			fmt.Fprintf(c.OutOrStdout(), "station  %s\nconfig   %s\nstore    %s\nkey      %s\n", made.Station, visible.Text(made.Config), visible.Text(made.Store), visible.Text(made.Key))
			fmt.Fprintf(c.ErrOrStderr(), "Next: write your ports and distances into %s, then run:\n  panecal%s shift\n",
				visible.Text(filepath.Join(filepath.Dir(made.Config), "station.sheet.toml")), visible.Text(where.flags()))
			return nil
		},
	}
	c.Flags().StringVar(&name, "station", name, "name of the station; every record carries it")
	c.Flags().StringVar(&continues, "continues", "", "folder of a copied log that the new store goes on from")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// made tells where init put things.
type made struct {
	Schema  string `json:"schema"`
	Station string `json:"station"`
	Config  string `json:"config"`
	Store   string `json:"store"`
	Key     string `json:"key"` // public, of the station: its checkpoints are checked with it
}

func initStation(where place, name, continues string) (made, error) {
	if name == "" && continues == "" {
		return made{}, cli.UsageError(errors.New("the station has no name: use letters, digits and dashes"))
	}
	return setUp(where, name, func(folder string) (string, error) { return makeStore(folder, name, continues) })
}

// setUp makes a station's files; makeStore makes its store and returns the
// station's name.
func setUp(where place, name string, makeStore func(folder string) (string, error)) (made, error) {
	if strings.ContainsAny(name, "\"\\\n") {
		return made{}, cli.UsageError(fmt.Errorf("station name %q: use letters, digits and dashes", name))
	}
	path, err := filepath.Abs(where.configPath())
	if err != nil {
		return made{}, err
	}
	folder := filepath.Join(xdg.DataHome, "panecal", "store")
	data := ""
	if where.data != "" {
		if folder, err = filepath.Abs(filepath.Join(where.data, "store")); err != nil {
			return made{}, err
		}
	}
	if where.data != "" && where.config != "" {
		data = fmt.Sprintf("data = %q\n", folder)
	}
	if _, err := os.Stat(path); err == nil {
		return made{}, cli.RefusedError("set_up_already", fmt.Errorf("%s exists: this station is set up already", path))
	} else if !errors.Is(err, fs.ErrNotExist) {
		return made{}, fmt.Errorf("looking for a configuration: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return made{}, fmt.Errorf("making the configuration's folder: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(folder), 0o750); err != nil {
		return made{}, fmt.Errorf("making the store's folder: %w", err)
	}
	if name, err = makeStore(folder); err != nil {
		return made{}, err
	}
	_, public, err := store.StationKey(folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) { // a log that is written later
		return made{}, err
	}
	products, err := writeSamples(filepath.Dir(path), name)
	if err != nil {
		return made{}, err
	}
	text := fmt.Sprintf(`# The configuration of this station. File names are relative to this file.
station = %q
%ssheet = "station.sheet.toml"
products = [%s]   # a unit's label decides which of them is for it
#checkpoints = ["/mnt/share/cal-1"]   # folders that get checkpoints of the log too; best where the station may add and not change
memory = %q   # remembers how far the log went, apart from it; who reads the log should be able to read it

# The operator's shift. All of it may stay out.
#language = "en"            # en, es or de: the operator's texts
#badge = "[0-9]{4,8}"       # what a badge says: operators sign on by scanning theirs
#ask = ["order", "quantity", "windows", "gaskets", "emitters"]   # what is asked after sign-on
#scanner = "/dev/serial/by-id/..."   # a scanner with a port of its own; scanners that type need nothing
#scanner_baud = 9600
#bell = true                # rings at each verdict
#takt_s = 40.0              # seconds that a unit may take
#box_size = 24              # good units that a box takes; its number is scanned when it is opened
#box_scan = true            # a good unit's label is scanned at its box before its nest goes on
#person_figures = true      # hand-overs name who signs off; without it figures are of station and shift
#same_failures = 3          # units in a row that fail the same way stop their nest; 0: never
#check_units = []           # labels of check units: measured and judged, never written or counted
#check_every = "8h"         # from one check unit that passed to the next
#grace_ms = 50              # added to the 100 ms in which a unit answers: slow adapters, busy computers
`, name, data, `"`+strings.Join(products, `", "`)+`"`, memoryFolder())
	if err := files.WriteNew(path, []byte(text)); err != nil {
		return made{}, err
	}
	return made{"panecal.init/1", name, path, folder, public}, nil
}

// makeStore makes an empty store, or one that continues another, and returns
// the station's name.
func makeStore(folder, name, continues string) (string, error) {
	if continues != "" {
		from, err := (place{data: continues}).storeFolder()
		if err != nil {
			return "", err
		}
		if err := (place{data: continues}).remembered(from, os.Stderr); err != nil {
			return "", err
		}
		ref, err := store.Continue(from, folder, store.Options{Station: name})
		if err != nil {
			return "", logs.Error("continuing the log", continues, err)
		}
		return ref.Station, nil
	}
	err := store.Create(folder, store.Options{Station: name})
	if errors.Is(err, store.ErrExists) {
		return "", cli.RefusedError("folder_not_empty", fmt.Errorf("%s: %w: a new station wants an empty folder", folder, err))
	}
	if err != nil {
		return "", fmt.Errorf("making the store: %w", err)
	}
	return name, nil
}

// writeSamples copies the sample files beside the configuration and returns
// the product files among them.
func writeSamples(folder, station string) ([]string, error) {
	entries, err := sample.Files.ReadDir(".")
	if err != nil {
		return nil, fmt.Errorf("reading the samples: %w", err)
	}
	var products []string
	for _, e := range entries {
		data, err := sample.Files.ReadFile(e.Name())
		if err != nil {
			return nil, fmt.Errorf("reading the samples: %w", err)
		}
		if strings.HasSuffix(e.Name(), ".sheet.toml") {
			data = []byte(strings.Replace(string(data), fmt.Sprintf("station = %q", sampleStation), fmt.Sprintf("station = %q", station), 1))
		}
		if strings.HasSuffix(e.Name(), ".product.toml") {
			products = append(products, e.Name())
		}
		if err := files.WriteNew(filepath.Join(folder, e.Name()), data); err != nil && !errors.Is(err, fs.ErrExist) {
			return nil, err
		}
	}
	// The larger product first: its files are in force until a label says
	// otherwise.
	for i, p := range products {
		if strings.HasPrefix(p, "hopper-54") {
			products[0], products[i] = products[i], products[0]
		}
	}
	return products, nil
}
