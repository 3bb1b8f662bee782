package offers

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/roster"
	"example.org/panecal/station/screen"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Source is what is asked while a person types.
type Source struct {
	Log   func() (*store.Follower, error)
	Bench func() (nests, products []string) // of the station's own files, nothing where there are none
}

// To gives every command under root its offers.
func To(root *cobra.Command, s Source) {
	for _, c := range root.Commands() {
		To(c, s)
	}
	if c := root; c.ValidArgsFunction == nil && c.ValidArgs == nil && !c.HasSubCommands() {
		names := arguments(c.Use)
		c.ValidArgsFunction = func(_ *cobra.Command, args []string, typed string) ([]string, cobra.ShellCompDirective) {
			return s.argument(names, args, typed)
		}
	}
	flags := func(f *pflag.Flag) {
		if _, ok := root.GetFlagCompletionFunc(f.Name); ok || f.Value.Type() == "bool" {
			return
		}
		err := root.RegisterFlagCompletionFunc(f.Name, func(_ *cobra.Command, _ []string, typed string) ([]string, cobra.ShellCompDirective) {
			return s.flag(f, typed)
		})
		if err != nil {
			panic(err) // the flag is there, and has none
		}
	}
	root.LocalNonPersistentFlags().VisitAll(flags)
	root.PersistentFlags().VisitAll(flags)
}

const (
	words   = cobra.ShellCompDirectiveNoFileComp
	files   = cobra.ShellCompDirectiveDefault
	folders = cobra.ShellCompDirectiveFilterDirs
)

// arguments are the names of a command's arguments as its usage has them, those
// that stand for each other in one.
func arguments(use string) (names []string) {
	either := false
	for _, word := range strings.Fields(use)[1:] {
		word = strings.Trim(word, "[].")
		switch {
		case word == "|":
			either = true
			continue
		case strings.HasPrefix(word, "-"):
			if !either {
				return names
			}
		case either && len(names) > 0:
			names[len(names)-1] += "|" + word
		default:
			names = append(names, word)
		}
		either = false
	}
	return names
}

// argument offers what may stand as the next argument; the last one of a usage
// may come again.
func (s Source) argument(names, before []string, typed string) ([]string, cobra.ShellCompDirective) {
	if len(names) == 0 {
		return nil, words
	}
	name := names[min(len(before), len(names)-1)]
	switch {
	case strings.Contains(name, "SERIAL"), strings.Contains(name, "LABEL"):
		return s.serials(typed), words
	case name == "QUANTITY":
		return beginning(quantities(), typed), words
	case name == "FOLDER":
		return nil, folders
	}
	for _, n := range strings.Split(name, "|") {
		if slices.Contains([]string{"FILE", "DRAFT", "OLD", "NEW", "PRODUCT", "SHEET", "DRAWING", "PORT", "PATH"}, n) {
			return nil, files
		}
	}
	return nil, words
}

// flag offers the values of a flag. What no rule knows is a text of a person's
// own, and gets no names of files.
func (s Source) flag(f *pflag.Flag, typed string) ([]string, cobra.ShellCompDirective) {
	switch f.Name {
	case "label", "part", "serial", "against-serial":
		return s.serials(typed), words
	case "nest", "product":
		nests, products := s.bench()
		if f.Name == "product" {
			nests = products
		}
		return beginning(nests, typed), words
	case "purpose":
		return beginning(texts(record.Purposes()), typed), words
	case "quantity":
		return beginning(quantities(), typed), words
	case "language":
		return beginning(screen.Languages(), typed), words
	case "role":
		return beginning(texts(roster.Roles()), typed), words
	case "config":
		return []string{"toml"}, cobra.ShellCompDirectiveFilterFileExt
	}
	switch usage := strings.ToLower(f.Usage); {
	case !strings.HasPrefix(f.Value.Type(), "string"):
	case strings.Contains(usage, "file"), f.Name == "out", strings.Contains(usage, "device"), strings.Contains(usage, "key"):
		return nil, files
	case strings.Contains(usage, "folder"), strings.Contains(usage, "inbox"):
		return nil, folders
	}
	return nil, words
}

// bench is what the station's files say, nothing where they fail.
func (s Source) bench() (nests, products []string) {
	if s.Bench == nil {
		return nil, nil
	}
	return s.Bench()
}

func quantities() (names []string) {
	for _, d := range quantity.All() {
		names = append(names, string(d.Name))
	}
	return names
}

func texts[S ~string](list []S) (all []string) {
	for _, s := range list {
		all = append(all, string(s))
	}
	return all
}

// beginning are those that begin as typed, in capitals or not; none that a shell
// would take for more than a word.
func beginning(list []string, typed string) (those []string) {
	for _, text := range list {
		if cli.Quoted(text) == text && len(text) >= len(typed) && strings.EqualFold(text[:len(typed)], typed) {
			those = append(those, text)
		}
	}
	return those
}
