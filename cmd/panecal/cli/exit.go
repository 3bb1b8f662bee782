// Package cli holds what panecal's sub-commands share as commands: how they
// end, and how they print an answer. It knows no sub-command and nothing of
// the station.
package cli

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

// Exit codes: a contract with scripts.
const (
	ExitDone      = 0
	ExitRunTime   = 1
	ExitUsage     = 2
	ExitFailed    = 3
	ExitRefused   = 4
	ExitDevice    = 5
	ExitInternal  = 70
	ExitHangUp    = 129
	ExitInterrupt = 130
	ExitTerminate = 143
)

// ExitHelp is the list of exit codes for people.
const ExitHelp = `0 done, 1 run-time error, 2 usage, 3 a unit or a check
failed, 4 refused (no store, held by another process, wrong product, unknown
revision), 5 device or port, 70 internal error, 129 / 130 / 143 ended by
hang-up, interrupt, terminate.`

// CodedError is an error that knows its exit code.
type CodedError struct {
	Code    int
	Refused string // of a refusal: its own code, for scripts
	Err     error
}

func (e *CodedError) Error() string { return e.Err.Error() }

// Unwrap returns the error itself.
func (e *CodedError) Unwrap() error { return e.Err }

// UsageError gives err the exit code of wrong usage.
func UsageError(err error) error { return &CodedError{Code: ExitUsage, Err: err} }

// RefusedError gives err the exit code of what the program refuses to do, and
// the code by which scripts tell one refusal from another.
func RefusedError(code string, err error) error {
	return &CodedError{Code: ExitRefused, Refused: code, Err: err}
}

// Tell says on stderr why a command ended; a refusal begins with its code.
func Tell(talk io.Writer, err error) {
	if coded := (&CodedError{}); errors.As(err, &coded) && coded.Refused != "" {
		TellRefused(talk, coded.Refused, err.Error())
		return
	}
	fmt.Fprintf(talk, "panecal: %s\n", indented(err.Error()))
}

// TellRefused says on stderr what was refused, while the command goes on.
func TellRefused(talk io.Writer, code, why string) {
	fmt.Fprintf(talk, "panecal: refused: %s: %s\n", code, indented(why))
}

// indented sets the lines after the first apart, so that none of them passes
// for a message of its own.
func indented(s string) string { return strings.ReplaceAll(s, "\n", "\n  ") }

// DeviceError gives err the exit code of a device or port.
func DeviceError(err error) error { return &CodedError{Code: ExitDevice, Err: err} }

// QuietError ends the program with a code after everything worth saying has
// been said.
type QuietError struct{ Code int }

func (e *QuietError) Error() string { return fmt.Sprintf("exit code %d", e.Code) }

// ExitCode is the code of an error: that of the quiet or coded error in it,
// else ExitRunTime.
func ExitCode(err error) int {
	if quiet := (&QuietError{}); errors.As(err, &quiet) {
		return quiet.Code
	}
	if coded := (&CodedError{}); errors.As(err, &coded) {
		return coded.Code
	}
	return ExitRunTime
}

// Args makes what cobra says of wrong arguments a usage error that names them,
// and of a mistyped command one that says which was meant.
func Args(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		err := check(c, args)
		switch {
		case err == nil:
			return nil
		case !c.HasAvailableSubCommands():
			return UsageError(fmt.Errorf("%w; usage: %s; see %s --help", err, c.UseLine(), c.CommandPath()))
		case len(args) > 0:
			var known []string
			for _, sub := range c.Commands() {
				if sub.IsAvailableCommand() {
					known = append(known, sub.Name())
				}
			}
			if near := Nearest(args[0], known); near != "" {
				err = fmt.Errorf("%w; did you mean %s?", err, near)
			}
		}
		return FlagError(c, err)
	}
}

// FlagError makes what cobra says of a wrong flag a usage error.
func FlagError(c *cobra.Command, err error) error {
	return UsageError(fmt.Errorf("%w; see %s --help", err, c.CommandPath()))
}
