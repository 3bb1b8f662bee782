package plantwide_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/history"
	"example.org/panecal/cmd/panecal/plantwide"
	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/product"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/store/query"
	"example.org/panecal/testdata/postgres"
)

// plant is a history of some simulated stations, and their folders by name.
func plant(t *testing.T, attempts int, names ...string) (url string, folders map[string]string, server *postgres.Server) {
	t.Helper()
	server, err := postgres.Start()
	if errors.Is(err, postgres.ErrMissing) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := server.Remove(); err != nil {
			t.Error(err)
		}
	})
	url = server.URL(server.Database(t), "owner")
	at, err := central.Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	if err := central.Init(t.Context(), at, func(string) {}); err != nil {
		t.Fatal(err)
	}
	folders = map[string]string{}
	for i, name := range names {
		dir := filepath.Join(t.TempDir(), "store")
		if _, err := history.Write(t.Context(), history.Options{Store: dir, Station: name, Attempts: attempts, Seed: uint64(20 + i), Files: sample(t)}); err != nil {
			t.Fatal(err)
		}
		folders[name] = dir
		log, err := store.Follow(dir, "")
		if err != nil {
			t.Fatal(err)
		}
		f, err := central.NewForwarder(at, log, "test")
		if err != nil {
			t.Fatal(err)
		}
		for {
			p, err := f.Step(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if p.Sent == 0 {
				break
			}
		}
		f.Close()
		if err := log.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return url, folders, server
}

// sample is the sample files of both products.
func sample(t *testing.T) papers.Catalogue {
	t.Helper()
	read := func(name string) []byte {
		data, err := os.ReadFile("../sample/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	sheet, err := product.ReadSheet("sheet", read("station.sheet.toml"))
	if err != nil {
		t.Fatal(err)
	}
	var files papers.Catalogue
	for _, name := range []string{"hopper-54", "hopper-1"} {
		p, err1 := product.Read(name, read(name+".product.toml"))
		l, err2 := limits.Read(name, read(name+".limits.toml"))
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		f, err := station.NewFiles(p, l, sheet)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	return files
}

func sources(data string) plantwide.Sources {
	return plantwide.Sources{Data: data, Remembered: func(string, io.Writer) error { return nil },
		Follow: func() (*store.Follower, string, error) {
			f, err := store.Follow(data, "")
			return f, data, err
		}}
}

// TestSameAnswers asks the same of each station's log and of the history: the answers
// are equal byte by byte.
func TestSameAnswers(t *testing.T) {
	url, folders, server := plant(t, 250, "S1", "S2")
	file := filepath.Join("..", "sample", "hopper-54.limits.toml")
	compared := 0
	for name, folder := range folders {
		serial := ""
		for _, q := range []struct {
			make func(func() (desk.Log, error)) *cobra.Command
			args []string
		}{
			{desk.NewTry, []string{file, "--json"}},
			{desk.NewTry, []string{file, "--json", "--attempts", "all", "--nest", "B"}},
			{desk.NewExport, []string{"--format", "csv", "--out", "-"}},
			{desk.NewExport, []string{"--format", "jsonl", "--out", "-", "--on-hold"}},
			{desk.NewExport, []string{"--format", "csv", "--out", "-", "--product", "hopper-54", "--outcome", "passed", "--attempts", "first"}},
			{newFind, []string{"--json"}},
			{newFind, []string{"--json", "--on-hold"}},
			{newFind, []string{"--json", "--bin", "passed", "--purpose", "production", "--operator", "op-2"}},
			{newFind, []string{"--json", "54-0001"}},
			{newFind, []string{"H54-00011", "--json"}},
		} {
			args := append(q.args, "--station", name)
			here, err := ask(t, q.make, folder, args...)
			there, err2 := ask(t, q.make, url, args...)
			if here != there || fmt.Sprint(err) != fmt.Sprint(err2) {
				t.Errorf("station %s, %v: %d and %d bytes, %v and %v", name, args, len(here), len(there), err, err2)
			}
			compared += len(here)
			if i := strings.Index(here, `"serial":"`); i >= 0 {
				serial, _, _ = strings.Cut(here[i+len(`"serial":"`):], `"`)
			}
		}
		if serial == "" {
			t.Fatal("no serial was found")
		}
		if a, b := unit(t, folder, name, serial), unit(t, url, name, serial); a != b || !strings.Contains(a, serial) {
			t.Errorf("unit %s: %d and %d bytes", serial, len(a), len(b))
		}
	}
	if compared < 100_000 {
		t.Errorf("only %d bytes were compared", compared)
	}
	// How the stations stand.
	follow := func(folder string) (*store.Follower, string, error) { return sources(folder).Follow() }
	stand := func(args ...string) string {
		t.Helper()
		c := plantwide.NewStations(follow)
		var out bytes.Buffer
		c.SetOut(&out)
		c.SetArgs(args)
		if err := c.ExecuteContext(t.Context()); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	if here, there := stand("--json", folders["S2"], folders["S1"]), stand("--json", url); here != there || strings.Count(here, `"stale": true`) != 2 {
		t.Errorf("stations by their folders and by the history:\n%s\n%s", here, there)
	}
	if text := stand(url); strings.Count(text, "STALE") != 2 || !strings.Contains(text, "S2 ") {
		t.Errorf("stations:\n%s", text)
	}
	// Of all stations: one after the other.
	all, err := ask(t, newFind, url, "--json")
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(all, "\n"); n != 500 {
		t.Errorf("%d attempts of both stations", n)
	}
	// Who sees no persons gets the same, without them.
	at, err := central.Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	if err := central.Admit(t.Context(), at, "plain_reader", central.Readers, ""); err != nil {
		t.Fatal(err)
	}
	plain := server.URL("t1", "plain_reader")
	table, err := ask(t, desk.NewExport, plain, "--format", "jsonl", "--out", "-")
	if err != nil || strings.Count(table, "\n") != 500 || strings.Count(table, `"operator":""`) != 500 {
		t.Errorf("a reader's table: %d lines, %d without operator, %v", strings.Count(table, "\n"), strings.Count(table, `"operator":""`), err)
	}
	if _, err := ask(t, newFind, plain, "--operator", "op-2"); !errors.Is(err, central.ErrPersons) {
		t.Errorf("a reader asks for a person: %v", err)
	}
}

func newFind(open func() (desk.Log, error)) *cobra.Command {
	return desk.NewFind(open, func() *time.Location { return time.UTC })
}

func ask(t *testing.T, make func(func() (desk.Log, error)) *cobra.Command, data string, args ...string) (string, error) {
	t.Helper()
	c := make(sources(data).Log)
	c.SilenceErrors, c.SilenceUsage = true, true
	c.SetFlagErrorFunc(cli.FlagError)
	var out bytes.Buffer
	c.SetOut(&out)
	c.SetErr(io.Discard)
	c.SetArgs(args)
	err := c.ExecuteContext(t.Context())
	return out.String(), err
}

func unit(t *testing.T, data, name, serial string) string {
	t.Helper()
	p, _, err := sources(data).Past(name, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	u, err := query.History(p, serial)
	if err == nil {
		err = u.AddChecks(p)
	}
	var b bytes.Buffer
	if err == nil {
		err = cli.PrintJSON(&b, u)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}
