//go:build !linux

package simunit

import (
	"context"
	"errors"
	"fmt"
)

// ServePTY needs pseudo-terminals, which this system does not have or which
// are not supported here.
func ServePTY(context.Context, Speaker) (path string, err error) {
	return "", fmt.Errorf("opening a pseudo-terminal: %w", errors.ErrUnsupported)
}
