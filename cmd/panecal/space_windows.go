package main

import "golang.org/x/sys/windows"

// space is what an ordinary user may still write to the disk of folder, and
// how large it is, in bytes.
func space(folder string) (free, total uint64, err error) {
	name, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return 0, 0, err
	}
	if err := windows.GetDiskFreeSpaceEx(name, &free, &total, nil); err != nil {
		return 0, 0, err
	}
	return free, total, nil
}
