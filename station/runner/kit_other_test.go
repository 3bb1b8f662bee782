//go:build !linux

package runner_test

import (
	"testing"

	"example.org/panecal/protocol/simunit"
)

func startKit(t testing.TB, _ *simunit.Unit, _ simunit.Model, _ uint64, _ simunit.Options) kitUnit {
	t.Skip("the kit's program needs Linux")
	return nil
}
