//go:build !unix

package firmware

const noControl = 0
