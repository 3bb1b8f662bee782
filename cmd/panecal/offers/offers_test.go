package offers_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/offers"
	"example.org/panecal/store"
)

func source(t *testing.T) offers.Source {
	return offers.Source{
		Log: func() (*store.Follower, error) {
			return store.Follow("../../../testdata/first-store/store", t.TempDir())
		},
		Bench: func() (nests, products []string) { return []string{"A", "B b", "C"}, []string{"hopper-54"} },
	}
}

// offered is what a shell is offered for the last word, and what it does besides.
func offered(t *testing.T, s offers.Source, line ...string) (list []string, then cobra.ShellCompDirective) {
	t.Helper()
	root := &cobra.Command{Use: "panecal"}
	root.PersistentFlags().String("config", "", "configuration file")
	root.PersistentFlags().String("data", "", "the store's folder")
	for _, use := range []string{"unit SERIAL", "note SERIAL TEXT --key FILE", "cause SERIAL | --all", "check FILE", "show REVISION|FILE", "backup FOLDER",
		"capability QUANTITY", "hold [SERIAL] --reason TEXT", "doctor", "bins PORT..."} {
		c := &cobra.Command{Use: use, Run: func(*cobra.Command, []string) {}}
		c.Flags().String("nest", "", "nest")
		c.Flags().String("product", "", "product")
		c.Flags().String("purpose", "", "purpose")
		c.Flags().String("language", "", "language")
		c.Flags().StringArray("label", nil, "label")
		c.Flags().String("reason", "", "why")
		c.Flags().String("list", "", "file of lines")
		c.Flags().String("into", "", "the new folder")
		c.Flags().Int("most", 0, "how many files")
		c.Flags().Bool("json", false, "print JSON")
		root.AddCommand(c)
	}
	offers.To(root, s)
	var out bytes.Buffer
	root.SetOut(&out)
	root.SetErr(&out)
	root.SetArgs(append([]string{cobra.ShellCompNoDescRequestCmd}, line...))
	if err := root.Execute(); err != nil {
		t.Fatal(err)
	}
	for _, l := range strings.Split(out.String(), "\n") {
		if d, ok := strings.CutPrefix(l, ":"); ok && len(d) > 0 {
			for _, r := range d {
				then = then*10 + cobra.ShellCompDirective(r-'0')
			}
			return list, then
		}
		list = append(list, l)
	}
	t.Fatal(out.String())
	return nil, 0
}

func TestOffers(t *testing.T) {
	const words, files, folders = cobra.ShellCompDirectiveNoFileComp, cobra.ShellCompDirectiveDefault, cobra.ShellCompDirectiveFilterDirs
	s := source(t)
	for _, c := range []struct {
		line string
		want string
		then cobra.ShellCompDirective
	}{
		{"doctor --nest |", "A C", words}, // no word that a shell would break
		{"doctor --nest a|", "A", words},
		{"doctor --product |", "hopper-54", words},
		{"doctor --purpose st|", "study", words},
		{"doctor --language |", "en es de", words},
		{"doctor --reason |", "", words},
		{"doctor --most |", "", words},
		{"doctor --list |", "", files},
		{"doctor --into |", "", folders},
		{"doctor --data |", "", folders},
		{"doctor --config |", "toml", cobra.ShellCompDirectiveFilterFileExt},
		{"doctor |", "", words},
		{"check |", "", files},
		{"show |", "", files},
		{"bins /dev/a |", "", files},
		{"backup |", "", folders},
		{"capability offset.m|", "offset.mean", words},
		{"note H54-00001-C |", "", words},
	} {
		line, _ := strings.CutSuffix(c.line, "|")
		list, then := offered(t, s, strings.Split(line, " ")...)
		if got := strings.Join(list, " "); got != c.want || then != c.then {
			t.Errorf("%s: %q and %d, want %q and %d", c.line, got, then, c.want, c.then)
		}
	}
}

// Serials are those of the log: the newest first, whole ones and beginnings, in
// capitals or not.
func TestSerialsAreOffered(t *testing.T) {
	s := source(t)
	all, then := offered(t, s, "unit", "")
	if len(all) < 2 || then != cobra.ShellCompDirectiveNoFileComp {
		t.Fatalf("%q, %d", all, then)
	}
	one := all[len(all)-1]
	for _, line := range [][]string{{"unit", one[:len(one)-1]}, {"note", strings.ToLower(one)}, {"cause", one}, {"hold", one}, {"doctor", "--label", one[:5]}} {
		if list, _ := offered(t, s, line...); !slices.Contains(list, one) {
			t.Errorf("%q: %q, want %s", line, list, one)
		}
	}
	if list, _ := offered(t, s, "unit", "no such"); len(list) > 0 {
		t.Errorf("for no unit: %q", list)
	}
}

// No log, or one that panics: nothing is offered, and nothing else happens.
func TestNothingIsOfferedWhereTheLogFails(t *testing.T) {
	for _, s := range []offers.Source{
		{}, {Log: func() (*store.Follower, error) { return nil, errors.New("no log") }}, {Log: func() (*store.Follower, error) { panic("a log") }},
	} {
		if list, then := offered(t, s, "unit", "H"); len(list) > 0 || then != cobra.ShellCompDirectiveNoFileComp {
			t.Errorf("%q, %d", list, then)
		}
	}
}
