package main

import "golang.org/x/sys/windows"

// freeSpace is what an ordinary user may still write, in bytes.
func freeSpace(folder string) (uint64, error) {
	name, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return 0, err
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return 0, err
	}
	return free, nil
}
