package term

import (
	"io"

	"github.com/muesli/termenv"
)

// DepthFrom is DepthOf for a terminal with another environment.
func DepthFrom(env termenv.Environ) Depth {
	return depthOf(termenv.NewOutput(io.Discard, termenv.WithEnvironment(env), termenv.WithUnsafe()))
}
