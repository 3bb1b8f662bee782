package main

import "fmt"

// Free space: raw captures are about 60 kB a unit.
const (
	reserveMost = 1 << 30
	spaceLook   = 5 << 30
)

// reserveOf is how much of a disk so large no attempt may begin to use: what is
// left is for the results of those that have begun, and for people to find out
// what fills the disk.
func reserveOf(total uint64) uint64 { return min(reserveMost, total/20) }

// room says what is wrong with the space that is left for a store, if anything
// is. Where the system does not tell, the store will.
func room(folder string) (reserve uint64, err error) {
	free, total, err := space(folder)
	if err != nil {
		return 0, nil
	}
	reserve = reserveOf(total)
	if free < reserve {
		return reserve, fmt.Errorf("%s are free at %s, the station starts nothing below %s: free some space", size(free), folder, size(reserve))
	}
	return reserve, nil
}

// size is a number of bytes for people.
func size(n uint64) string {
	switch {
	case n >= 10<<30:
		return fmt.Sprintf("%d GiB", n>>30)
	case n >= 10<<20:
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d KiB", n>>10)
}
