//go:build unix

package firmware

import "syscall"

// noControl keeps a terminal from becoming the process's own.
const noControl = syscall.O_NOCTTY
