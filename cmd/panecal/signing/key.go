// Package signing is the sub-commands with which a person signs: the person's
// key, notes about units, and the release of limits, product files and station
// sheets. A passphrase is never an argument.
package signing

import (
	"bufio"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/charmbracelet/x/term"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/release"
	"example.org/panecal/limits/visible"
)

// NewKey is the sub-command key.
func NewKey() *cobra.Command {
	c := &cobra.Command{
		Use:   "key",
		Short: "Make and show the key that a person signs with",
		Args:  cli.Args(cobra.NoArgs),
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newKeyNew(), newKeyRenew(), newKeyShow())
	return c
}

// keyReport is `key new --json` and `key show --json`.
type keyReport struct {
	Schema  string `json:"schema"`
	Person  string `json:"person"`
	Ed25519 string `json:"ed25519"` // public, base64
}

func tellKey(c *cobra.Command, asJSON bool, person string, public []byte) error {
	text := base64.StdEncoding.EncodeToString(public)
	if asJSON {
		return cli.PrintJSON(c.OutOrStdout(), keyReport{"panecal.key_public/1", person, text})
	}
	_, err := fmt.Fprintf(c.OutOrStdout(), "[[key]]\nperson = %q\ned25519 = %q\n", person, text)
	return err
}

func newKeyNew() *cobra.Command {
	var out, person, passFile string
	var asJSON bool
	c := &cobra.Command{
		Use:   "new --person NAME --out FILE",
		Short: "Make a key, kept in a file that its passphrase opens",
		Long: `Makes a key pair (ed25519). The private key goes into FILE, encrypted under a
passphrase that is asked for; nobody can open it without, so write the
passphrase down where only its person finds it. The public key is printed, in
the form that the file wants which ` + "`keys`" + ` in a station's configuration names.`,
		Example: "  panecal key new --person 4711 --out 4711.key >> keys.toml",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if out == "" || person == "" {
				return cli.UsageError(fmt.Errorf("--person and --out are needed; see %s --help", c.CommandPath()))
			}
			key, err := release.NewKey(person)
			if err != nil {
				return cli.UsageError(err)
			}
			if _, err := os.Lstat(out); err == nil {
				return fmt.Errorf("writing the key: %s exists", out)
			}
			pass, err := askPassphrase(c, passFile, true)
			if err != nil {
				return err
			}
			file, err := key.Seal(pass)
			if err != nil {
				return err
			}
			if err := writePrivate(out, file); err != nil {
				return err
			}
			return tellKey(c, asJSON, key.Person, key.Public())
		},
	}
	c.Flags().StringVar(&person, "person", "", "whose key it is, such as a personnel number")
	c.Flags().StringVar(&out, "out", "", "the key's file; it must not exist")
	passphraseFlag(c, &passFile)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func newKeyRenew() *cobra.Command {
	var passFile string
	c := &cobra.Command{
		Use:   "renew FILE",
		Short: "Seal a key as this program does, under the same passphrase",
		Long: `Seals the key in FILE anew, under the same passphrase, in the way of this
program: argon2id, which takes memory as well as time for each guess. The key
itself stays what it is, and so do all signatures made with it.`,
		Example: "  panecal key renew 4711.key",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			file, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("reading a key: %w", err)
			}
			pass, err := askPassphrase(c, passFile, false)
			if err != nil {
				return err
			}
			key, err := release.OpenKey(file, pass)
			if err != nil {
				return err
			}
			if file, err = key.Seal(pass); err != nil {
				return err
			}
			if err := files.Replace(args[0], file, 0o600); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: sealed anew\n", visible.Text(args[0]))
			return err
		},
	}
	passphraseFlag(c, &passFile)
	return c
}

func newKeyShow() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "show FILE",
		Short:   "Show whose key it is, and its public part",
		Example: "  panecal key show 4711.key",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			file, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("reading a key: %w", err)
			}
			person, public, err := release.KeyOwner(file)
			if err != nil {
				return err
			}
			return tellKey(c, asJSON, person, public)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func passphraseFlag(c *cobra.Command, name *string) {
	c.Flags().StringVar(name, "passphrase", "", "file whose first line is the passphrase; - is standard input (default: ask at the terminal)")
}

// askPassphrase reads a passphrase, which is never an argument: others see
// those. A new one is asked for twice.
func askPassphrase(c *cobra.Command, file string, anew bool) (string, error) {
	if file != "" {
		in := c.InOrStdin()
		if file != "-" {
			f, err := os.Open(file)
			if err != nil {
				return "", fmt.Errorf("reading the passphrase: %w", err)
			}
			defer f.Close()
			in = f
		}
		line, err := bufio.NewReader(io.LimitReader(in, 1024)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("reading the passphrase: %w", err)
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	in, ok := cli.Terminal(c.InOrStdin())
	if !ok {
		return "", cli.UsageError(errors.New("there is no terminal to ask for the passphrase at: name a file with --passphrase"))
	}
	ask := func(prompt string) (string, error) {
		fmt.Fprint(c.ErrOrStderr(), prompt)
		defer fmt.Fprintln(c.ErrOrStderr())
		b, err := term.ReadPassword(in.Fd())
		if err != nil {
			return "", fmt.Errorf("reading the passphrase: %w", err)
		}
		return string(b), nil
	}
	pass, err := ask("Passphrase: ")
	if err != nil || !anew {
		return pass, err
	}
	again, err := ask("Once more: ")
	if err == nil && again != pass {
		err = errors.New("the two passphrases differ: nothing was written")
	}
	return pass, err
}

// writePrivate writes a file that must not exist, for its owner alone.
func writePrivate(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("writing the key: %w", err)
	}
	if _, err := f.Write(data); err != nil {
		return errors.Join(fmt.Errorf("writing the key: %w", err), f.Close())
	}
	return errors.Join(f.Sync(), f.Close())
}
