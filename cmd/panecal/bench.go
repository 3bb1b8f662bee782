package main

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/offers"
	"example.org/panecal/cmd/panecal/studies"
	"example.org/panecal/station"
	"example.org/panecal/station/batch"
)

// bench opens the station for the trials of a study.
func (p *place) bench(c *cobra.Command, o studies.Opening) (*studies.Bench, error) {
	at, err := p.premises(o.Persons...)
	if err != nil {
		return nil, err
	}
	all := at.files
	ports := o.Ports
	for _, n := range all[0].Sheet.Nests {
		if o.Ports == nil && (o.Nests == nil || slices.Contains(o.Nests, n.Name)) {
			ports = append(ports, n.Port)
		}
	}
	if o.Ports == nil && o.Nests != nil && len(ports) != len(o.Nests) {
		return nil, cli.UsageError(fmt.Errorf("--nest %q: the station sheet has not all of them", o.Nests))
	}
	if all, err = all.OnPorts(ports, ""); err != nil {
		return nil, err
	}
	first, _, _ := all.Read(o.Label)
	first = cmp.Or(first, all[0])
	verdicts := make(chan station.Verdict, 256)
	w, err := openWorkplace(workplaceOptions{config: at.config, book: at.book, folder: at.folder, files: all, first: first, purpose: station.Study, workOrder: o.Study,
		handsTime: 10 * time.Minute, command: "panecal study run", onVerdict: func(v station.Verdict) { verdicts <- v }, talk: c.ErrOrStderr()})
	if err != nil {
		return nil, err
	}
	b := &studies.Bench{Files: w.intake.Read, Station: w.runner, Log: w.store, StoredAt: w.store.Station(), Close: w.close}
	for _, n := range first.Sheet.Nests {
		b.Nests = append(b.Nests, n.Name)
	}
	b.Run = func(c *cobra.Command, o batch.Options, show func(station.Verdict) error) error {
		o.Verdicts = verdicts
		return w.batch(c, o, show)
	}
	return b, nil
}

// offer gives every command what the shell is to offer.
func (p *place) offer(root *cobra.Command) {
	offers.To(root, offers.Source{Log: p.log, Bench: p.named})
}

// named are the nests and the products of the station's files, none where they
// cannot be read.
func (p *place) named() (nests, products []string) {
	at, err := p.premises()
	if err != nil {
		return nil, nil
	}
	for _, n := range at.files[0].Sheet.Nests {
		nests = append(nests, n.Name)
	}
	for _, f := range at.files {
		products = append(products, f.Product.Name)
	}
	return nests, products
}
