package signing

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/release"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/roster"
)

// One way of release for limits, product files and station sheets: the author
// drafts and signs, another engineer reviews and signs, and only then the file
// takes the place of the one in force.

const releaseHelp = `The way of a released file (limits, product or station sheet):
  draft    the author says why and from when, names who will approve, signs
  review   the approver reads it, and signs
  release  both signatures are held against the station's roster, and the file
           takes the place of the one in force
A roll-back is a new revision with the old content.`

// ReleaseCommands are the sub-commands on that way: draft, review, release, diff.
func ReleaseCommands() []*cobra.Command {
	return []*cobra.Command{newDraft(), newReview(), newRelease(), newDiff()}
}

// Read reads and checks a file of any kind that is released.
func Read(path string) (release.Document, error) {
	f, err := readReleased(path)
	return f.doc, err
}

// releasedFile is any of the files that are released.
type releasedFile struct {
	text []byte
	doc  release.Document
}

// readReleased reads and checks a file of any kind.
func readReleased(path string) (releasedFile, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return releasedFile{}, fmt.Errorf("reading the file: %w", err)
	}
	return parseReleased(filepath.Base(path), data)
}

func parseReleased(name string, data []byte) (releasedFile, error) {
	f, err := papers.ReadAny(name, data)
	return releasedFile{f.Text, f.Doc}, err
}

// sign writes the file anew with the header h and the key's signature added.
func (f releasedFile) sign(name string, h release.Header, key release.Key) (releasedFile, error) {
	text, err := release.WithHeader(f.text, h)
	if err != nil {
		return f, err
	}
	g, err := parseReleased(name, text)
	if err != nil {
		return f, err
	}
	h.Signature = append(h.Signature, key.Sign(&g.doc))
	if text, err = release.WithHeader(f.text, h); err != nil {
		return f, err
	}
	signed, err := parseReleased(name, text)
	if err == nil && signed.doc.Revision != g.doc.Revision {
		err = errors.New("signing changed the revision: nothing was written")
	}
	return signed, err
}

// releaseReport is what draft, review and release print with --json.
type releaseReport struct {
	Schema    string     `json:"schema"`
	File      string     `json:"file"`
	Kind      string     `json:"kind"`
	Revision  string     `json:"revision"`
	Author    string     `json:"author"`
	Approver  string     `json:"approver"`
	Reason    string     `json:"reason"`
	Effective *time.Time `json:"effective"`
	Until     *time.Time `json:"until"`
	SignedBy  []string   `json:"signed_by"`
}

func tellRelease(c *cobra.Command, asJSON bool, path, did string, d *release.Document) error {
	if !asJSON {
		_, err := fmt.Fprintf(c.OutOrStdout(), "%s: %s %.12s, %s\n", visible.Text(path), d.Kind, d.Revision, did)
		return err
	}
	r := releaseReport{Schema: "panecal.release/1", File: path, Kind: d.Kind, Revision: d.Revision,
		Author: d.Author, Approver: d.Approver, Reason: d.Reason, SignedBy: []string{}}
	for _, t := range []struct {
		at time.Time
		to **time.Time
	}{{d.Effective, &r.Effective}, {d.Until, &r.Until}} {
		if !t.at.IsZero() {
			utc := t.at.UTC()
			*t.to = &utc
		}
	}
	for _, s := range d.Signature {
		r.SignedBy = append(r.SignedBy, s.Person)
	}
	return cli.PrintJSON(c.OutOrStdout(), r)
}

func openKeyFile(c *cobra.Command, path, passFile string) (release.Key, error) {
	if path == "" {
		return release.Key{}, cli.UsageError(fmt.Errorf("--key is missing: the file that `panecal key new` made; see %s --help", c.CommandPath()))
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return release.Key{}, fmt.Errorf("reading a key: %w", err)
	}
	pass, err := askPassphrase(c, passFile, false)
	if err != nil {
		return release.Key{}, err
	}
	if release.OldKey(data) {
		fmt.Fprintf(c.ErrOrStderr(), "panecal: %s is sealed as older programs did, which takes no memory to guess at: panecal key renew %[1]s\n", visible.Text(path))
	}
	return release.OpenKey(data, pass)
}

// timeFlag takes a time as RFC 3339.
type timeFlag time.Time

func (t *timeFlag) String() string {
	if time.Time(*t).IsZero() {
		return ""
	}
	return time.Time(*t).Format(time.RFC3339)
}

func (t *timeFlag) Set(text string) error {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return errors.New("write a time such as 2026-12-01T06:00:00Z")
	}
	*t = timeFlag(at.UTC())
	return nil
}

func (t *timeFlag) Type() string { return "time" }

func newDraft() *cobra.Command {
	var keyFile, passFile, approver, reason, out string
	var effective, until timeFlag
	var asJSON bool
	c := &cobra.Command{
		Use:   "draft FILE --approver PERSON --reason TEXT --key KEY --out DRAFT",
		Short: "Make a new revision of a file, signed by its author",
		Long: `Checks FILE, gives it a release table and signs it with the author's key. FILE
stays as it is; the draft is a new file.

` + releaseHelp,
		Example: "  panecal limits draft hopper-54.limits.toml --approver 4712 --reason 'second pilot lot' --key 4711.key --out draft.toml",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if approver == "" || strings.TrimSpace(reason) == "" || out == "" {
				return cli.UsageError(fmt.Errorf("--approver, --reason and --out are needed; see %s --help", c.CommandPath()))
			}
			f, err := readReleased(args[0])
			if err != nil {
				return err
			}
			key, err := openKeyFile(c, keyFile, passFile)
			if err != nil {
				return err
			}
			if strings.EqualFold(key.Person, approver) {
				return cli.RefusedError("same_person", fmt.Errorf("%s cannot approve the own draft: name another person", approver))
			}
			h := release.Header{Author: key.Person, Approver: approver, Reason: reason, Effective: time.Time(effective), Until: time.Time(until)}
			signed, err := f.sign(filepath.Base(out), h, key)
			if err != nil {
				return err
			}
			if err := files.WriteNew(out, signed.text); err != nil {
				return err
			}
			return tellRelease(c, asJSON, out, "drafted and signed by "+key.Person+"; "+approver+" reviews it", &signed.doc)
		},
	}
	c.Flags().StringVar(&approver, "approver", "", "who will review it; another person")
	c.Flags().StringVar(&reason, "reason", "", "why there is a new revision")
	c.Flags().Var(&effective, "effective", "from when it holds (default: at once)")
	c.Flags().Var(&until, "until", "when it ends (default: until another follows)")
	c.Flags().StringVar(&out, "out", "", "the draft; it must not exist")
	c.Flags().StringVar(&keyFile, "key", "", "the author's key")
	passphraseFlag(c, &passFile)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func newReview() *cobra.Command {
	var keyFile, passFile, against string
	var asJSON bool
	c := &cobra.Command{
		Use:   "review DRAFT --key KEY [--against FILE]",
		Short: "Show what a draft changes, and sign it as its approver",
		Long: `Checks the draft again, shows on stderr what it changes against the file in
force, and adds the approver's signature to it. Without --key nothing is signed.

` + releaseHelp,
		Example: "  panecal limits review draft.toml --against hopper-54.limits.toml\n  panecal limits review draft.toml --key 4712.key",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := readReleased(args[0])
			if err != nil {
				return err
			}
			if against != "" {
				old, err := readReleased(against)
				if err != nil {
					return err
				}
				for _, line := range differences(old, f) {
					fmt.Fprintln(c.ErrOrStderr(), visible.Text(line))
				}
			}
			if keyFile == "" {
				return tellRelease(c, asJSON, args[0], "not signed by "+f.doc.Approver+" now", &f.doc)
			}
			key, err := openKeyFile(c, keyFile, passFile)
			if err != nil {
				return err
			}
			switch {
			case key.Person == f.doc.Author:
				return cli.RefusedError("same_person", fmt.Errorf("%s wrote this draft: another person reviews it", key.Person))
			case key.Person != f.doc.Approver:
				return cli.RefusedError("wrong_approver", fmt.Errorf("the draft names %q as its approver, the key is of %s: let %s sign, or draft it anew", f.doc.Approver, key.Person, f.doc.Approver))
			}
			h := f.doc.Header
			h.Signature = nil
			for _, s := range f.doc.Signature {
				if s.Person != key.Person { // signing twice is signing once
					h.Signature = append(h.Signature, s)
				}
			}
			signed, err := f.sign(filepath.Base(args[0]), h, key)
			if err != nil {
				return err
			}
			if signed.doc.Revision != f.doc.Revision {
				return errors.New("signing would change the revision: nothing was written")
			}
			if err := files.Replace(args[0], signed.text, 0o644); err != nil {
				return err
			}
			return tellRelease(c, asJSON, args[0], "reviewed and signed by "+key.Person, &signed.doc)
		},
	}
	c.Flags().StringVar(&against, "against", "", "the file in force, to tell the differences")
	c.Flags().StringVar(&keyFile, "key", "", "the approver's key")
	passphraseFlag(c, &passFile)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func newRelease() *cobra.Command {
	var keys, from, into string
	var asJSON bool
	c := &cobra.Command{
		Use:   "release DRAFT --roster FILE --into FILE",
		Short: "Put a signed draft in the place of the file in force",
		Long: `Verifies both signatures against a station's roster, in which author and approver
have the role engineer and still work there (or against its keys file), and writes the file into its place in one step.
A station takes it up at its next start. Where --into is a folder, a station's
inbox, the station itself puts the file into its place and takes it up while it
runs. A file that is not yet effective waits beside the one in force, its name
with .next; the station takes it from then on.

` + releaseHelp,
		Example: "  panecal limits release draft.toml --roster roster.toml --into hopper-54.limits.toml",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if (keys == "") == (from == "") || into == "" {
				return cli.UsageError(fmt.Errorf("--into and one of --roster and --keys are needed; see %s --help", c.CommandPath()))
			}
			f, err := readReleased(args[0])
			if err != nil {
				return err
			}
			engineers, err := engineers(keys, from, time.Now())
			if err != nil {
				return err
			}
			if err := f.doc.Verify(engineers); err != nil {
				return cli.RefusedError("not_released", fmt.Errorf("%s is not released: %w (the role engineer in %s says who may)", args[0], err, keys+from))
			}
			place, did := into, "released: written by "+f.doc.Author+", approved by "+f.doc.Approver
			switch err := f.doc.InForce(time.Now()); {
			case errors.Is(err, release.ErrEarly):
				place, did = into+papers.Waiting, did+"; it waits until "+f.doc.Effective.UTC().Format(time.RFC3339)
			case err != nil:
				return cli.RefusedError("not_released", fmt.Errorf("%s is not released: %w", args[0], err))
			}
			if i, err := os.Stat(into); err == nil && i.IsDir() { // a station's inbox
				place = filepath.Join(into, fmt.Sprintf("%s-%.12s.toml", f.doc.Kind, f.doc.Revision))
				did += "; the station takes it up"
			}
			if err := files.Replace(place, f.text, 0o644); err != nil {
				return err
			}
			return tellRelease(c, asJSON, place, did, &f.doc)
		},
	}
	c.Flags().StringVar(&from, "roster", "", "the roster in force, whose engineers release")
	c.Flags().StringVar(&keys, "keys", "", "the station's keys file, where there is no roster")
	c.Flags().StringVar(&into, "into", "", "the file in force, which it replaces; or a station's inbox")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// engineers are who may release: by a roster, those who are valid now; by a file
// of keys, those with the role.
func engineers(keys, from string, now time.Time) (release.Keys, error) {
	data, err := guard.Read(keys + from)
	if err != nil {
		return nil, fmt.Errorf("reading who may release: %w", err)
	}
	if keys != "" {
		people, err := papers.ReadPeople(filepath.Base(keys), data)
		return people.Engineers(), err
	}
	r, err := roster.Read(filepath.Base(from), data)
	if err != nil {
		return nil, fmt.Errorf("the roster cannot be used:\n%w", err)
	}
	all := r.Keys(now, time.Local, roster.Engineer)
	for id := range all {
		if p, _ := r.Person(id); !p.Valid(now, time.Local) {
			delete(all, id)
		}
	}
	return all, nil
}

// differences tells what one file changes against another.
func differences(old, new releasedFile) []string {
	if old.doc.Kind == limits.Kind && new.doc.Kind == limits.Kind {
		return limits.Differences(&old.doc, &new.doc)
	}
	return release.Diff(&old.doc, &new.doc)
}

func newDiff() *cobra.Command {
	c := &cobra.Command{
		Use:     "diff OLD NEW",
		Short:   "Tell in words what one revision changes against another",
		Example: "  panecal limits diff hopper-54.limits.toml draft.toml",
		Args:    cli.Args(cobra.ExactArgs(2)),
		RunE: func(c *cobra.Command, args []string) error {
			old, err := readReleased(args[0])
			if err != nil {
				return err
			}
			new, err := readReleased(args[1])
			if err != nil {
				return err
			}
			lines := differences(old, new)
			if len(lines) == 0 {
				lines = []string{"one revision: they say the same"}
			}
			_, err = io.WriteString(c.OutOrStdout(), strings.Join(lines, "\n")+"\n")
			return err
		},
	}
	return c
}
