package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/crash"
	"example.org/panecal/station/runner"
)

// crashed tells of a panic that nobody caught on its way to main.
func crashed(where place, p any, stack []byte, talk io.Writer) int {
	b := crash.New(where.crashFolder(), "panecal "+version)
	b.Caught(p, stack)
	fmt.Fprintf(talk, "panecal: %v\n", b.Err())
	if !b.Written() {
		fmt.Fprintf(talk, "%s\n", stack)
	}
	return cli.ExitInternal
}

// crashFolder is the folder that holds the store, if there is one.
func (p place) crashFolder() string {
	folder, err := p.storeFolder()
	if err == nil {
		folder = filepath.Dir(folder)
		_, err = os.Stat(folder)
	}
	if err != nil {
		return os.TempDir()
	}
	return folder
}

// internal says whether an error is a fault of the program itself.
func internal(err error) bool { return errors.Is(err, runner.ErrInternal) }

// exitCode is the code of an error that ends the program.
func exitCode(err error) int {
	if quiet := (&cli.QuietError{}); internal(err) && !errors.As(err, &quiet) {
		return cli.ExitInternal
	}
	return cli.ExitCode(err)
}
