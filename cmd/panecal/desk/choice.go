package desk

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Choice is the flags that choose attempts, the same in every command that
// reads the log.
type Choice struct {
	since, until, purpose, outcome, attempts string
	filter                                   store.Filter
	flags                                    *pflag.FlagSet
}

// ChoiceHelp explains them for the long text of a command.
const ChoiceHelp = `An attempt is taken where it agrees with every flag given. Times are RFC 3339 or
a date, which is that day's first moment on this computer's clock; --since is
included, --until is not. --lot is a lot of the unit or of its window, gasket or
emitter. --bin is the name or the number of a soft bin. --on-hold takes all
attempts of units that are on hold now. --attempts first leaves retests out.`

// AddTo adds the flags to a command, with their completion.
func (o *Choice) AddTo(c *cobra.Command) {
	o.flags = c.Flags()
	f := o.flags
	f.StringVar(&o.since, "since", "", "recorded at this time or later")
	f.StringVar(&o.until, "until", "", "recorded before this time")
	f.StringVar(&o.filter.Product, "product", "", "product, such as hopper-54")
	f.StringVar(&o.filter.Lot, "lot", "", "lot of the unit or of one of its parts")
	f.StringVar(&o.filter.Order, "order", "", "work order")
	f.StringVar(&o.filter.Nest, "nest", "", "nest")
	f.StringVar(&o.filter.Station, "station", "", "station")
	f.StringVar(&o.filter.Operator, "operator", "", "operator")
	f.StringVar(&o.purpose, "purpose", "", strings.Join(words(record.Purposes()), ", "))
	f.StringVar(&o.outcome, "outcome", "", strings.Join(words(record.Outcomes()), ", "))
	f.StringVar(&o.filter.Bin, "bin", "", "name or number of a soft bin")
	f.BoolVar(&o.filter.OnHold, "on-hold", false, "only units that are on hold now")
	f.StringVar(&o.attempts, "attempts", "all", "first, all")
	complete(c, "purpose", words(record.Purposes()))
	complete(c, "outcome", words(record.Outcomes()))
	complete(c, "attempts", []string{"first", "all"})
	for _, name := range []string{"since", "until", "lot", "order", "station", "operator", "bin"} {
		complete(c, name, nil)
	}
}

// complete offers values for a flag, and never the names of files.
func complete(c *cobra.Command, flag string, values []string) {
	if err := c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(values, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag was added before
	}
}

func words[T ~string](list []T) []string {
	var out []string
	for _, w := range list {
		out = append(out, string(w))
	}
	return out
}

// Filter returns what the flags choose. A value that cannot be meant is a usage
// error that names its flag.
func (o *Choice) Filter() (store.Filter, error) {
	var wrong []error
	bad := func(flag, format string, args ...any) {
		wrong = append(wrong, fmt.Errorf("--"+flag+" "+format, args...))
	}
	o.flags.Visit(func(f *pflag.Flag) {
		// An empty variable in a script must not choose everything.
		if f.Value.Type() == "string" && f.Value.String() == "" {
			bad(f.Name, "is empty: give a value, or leave the flag out")
		}
	})
	f := o.filter
	moment := func(flag, text string) time.Time {
		if text == "" {
			return time.Time{}
		}
		if t, err := time.Parse(time.RFC3339, text); err == nil {
			return t
		}
		t, err := time.ParseInLocation(time.DateOnly, text, time.Local)
		if err != nil {
			bad(flag, "%q is no time: write 2026-11-27 or 2026-11-27T06:00:00Z", text)
		}
		return t
	}
	f.Since, f.Until = moment("since", o.since), moment("until", o.until)
	if !f.Since.IsZero() && !f.Until.IsZero() && !f.Since.Before(f.Until) {
		bad("until", "%s is not after --since %s: nothing lies between", o.until, o.since)
	}
	one := func(flag, value string, of []string) {
		if value != "" && !slices.Contains(of, value) {
			meant := ""
			if near := cli.Nearest(value, of); near != "" {
				meant = fmt.Sprintf("; did you mean %s?", near)
			}
			bad(flag, "%q is unknown: want one of %s%s", value, strings.Join(of, ", "), meant)
		}
	}
	one("purpose", o.purpose, words(record.Purposes()))
	one("outcome", o.outcome, words(record.Outcomes()))
	one("attempts", o.attempts, []string{"first", "all"})
	f.Purpose, f.Outcome, f.First = record.Purpose(o.purpose), record.Outcome(o.outcome), o.attempts == "first"
	if len(wrong) > 0 {
		return store.Filter{}, cli.UsageError(errors.Join(wrong...))
	}
	return f, nil
}

// text is the flags that were given, as a person would type them.
func (o *Choice) text() string {
	var list []string
	o.flags.Visit(func(f *pflag.Flag) {
		known := []string{"since", "until", "product", "lot", "order", "nest", "station", "operator", "purpose", "outcome", "bin", "on-hold", "attempts"}
		switch value := f.Value.String(); {
		case !slices.Contains(known, f.Name):
		case f.Value.Type() == "bool":
			if value == "true" {
				list = append(list, "--"+f.Name)
			}
		case strings.ContainsAny(value, " \""):
			list = append(list, "--"+f.Name, `"`+strings.ReplaceAll(value, `"`, `""`)+`"`)
		default:
			list = append(list, "--"+f.Name, value)
		}
	})
	return strings.Join(list, " ")
}
