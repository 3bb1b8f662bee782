package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Exit codes: a contract with scripts.
const (
	exitDone      = 0
	exitRunTime   = 1
	exitUsage     = 2
	exitFailed    = 3
	exitRefused   = 4
	exitDevice    = 5
	exitInternal  = 70
	exitHangUp    = 129
	exitInterrupt = 130
	exitTerminate = 143
)

const exitHelp = `0 done, 1 run-time error, 2 usage, 3 a unit or a check
failed, 4 refused (no store, held by another process, wrong product, unknown
revision), 5 device or port, 70 internal error, 129 / 130 / 143 ended by
hang-up, interrupt, terminate.`

// codedError is an error that knows its exit code.
type codedError struct {
	code int
	err  error
}

func (e *codedError) Error() string { return e.err.Error() }
func (e *codedError) Unwrap() error { return e.err }

func usageError(err error) error   { return &codedError{exitUsage, err} }
func refusedError(err error) error { return &codedError{exitRefused, err} }
func deviceError(err error) error  { return &codedError{exitDevice, err} }

// quietError ends the program with a code after everything worth saying has
// been said.
type quietError struct{ code int }

func (e *quietError) Error() string { return fmt.Sprintf("exit code %d", e.code) }

func exitCode(err error) int {
	var quiet *quietError
	if errors.As(err, &quiet) {
		return quiet.code
	}
	if internal(err) {
		return exitInternal
	}
	var coded *codedError
	if errors.As(err, &coded) {
		return coded.code
	}
	return exitRunTime
}

// printJSON writes one indented object, the form of every --json answer.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}

// printLine writes one object on one line, for streams of them.
func printLine(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}
