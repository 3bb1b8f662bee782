// Package plant is the simulated plant of the demonstration: nests on
// pseudo-terminals, units beside them with what is wrong with each, and the
// hands that seat them. All of it is invented.
//
// It knows what verdict each unit has to get, and neither measures nor judges.
// Distances are in millimetres, speeds in baud.
package plant
