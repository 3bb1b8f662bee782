package term

import (
	"io"

	"github.com/muesli/termenv"
)

// Gap is the columns between two letters.
func (f Font) Gap() int { return f.gap }

// DepthFrom is DepthOf for a terminal with another environment.
func DepthFrom(env termenv.Environ) Depth {
	return termenv.NewOutput(io.Discard, termenv.WithEnvironment(env), termenv.WithUnsafe()).EnvColorProfile()
}
