package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"example.org/panecal/station"
)

// page is one page for readers: a Markdown file somewhere in the repository.
type page struct {
	path  string // from the repository's root
	lines []string
}

// fenced is a fenced block of a page.
type fenced struct {
	line int // of its first line, from 1
	lang string
	text string
}

// pages finds every page of the repository.
func pages(t *testing.T) []page {
	t.Helper()
	const root = "../.."
	var found []page
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() && path != root && (strings.HasPrefix(name, ".") || name == "build" || name == "bin") {
			return fs.SkipDir
		}
		if d.IsDir() || filepath.Ext(name) != ".md" {
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		from, err := filepath.Rel(root, path)
		found = append(found, page{filepath.ToSlash(from), strings.Split(strings.ReplaceAll(string(text), "\r", ""), "\n")})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(found) == 0 {
		t.Fatal("there are no pages")
	}
	return found
}

// blocks are the fenced blocks of a page, in order.
func (p page) blocks() []fenced {
	var all []fenced
	open := -1
	for i, line := range p.lines {
		switch lang, fence := strings.CutPrefix(line, "```"); {
		case !fence:
			if open >= 0 {
				all[open].text += line + "\n"
			}
		case open < 0:
			all = append(all, fenced{line: i + 2, lang: lang})
			open = len(all) - 1
		default:
			open = -1
		}
	}
	return all
}

// prose is the page without its fenced blocks.
func (p page) prose() []string {
	var all []string
	inside := false
	for _, line := range p.lines {
		if strings.HasPrefix(line, "```") {
			inside = !inside
		} else if !inside {
			all = append(all, line)
		}
	}
	return all
}

// anchors are the names that a link to a heading of the page may have.
func (p page) anchors() []string {
	drop := regexp.MustCompile(`[^\p{L}\p{N} _-]`)
	var all []string
	for _, line := range p.prose() {
		if text, ok := strings.CutPrefix(strings.TrimLeft(line, "#"), " "); ok && strings.HasPrefix(line, "#") {
			all = append(all, strings.ReplaceAll(strings.ToLower(drop.ReplaceAllString(text, "")), " ", "-"))
		}
	}
	return all
}

// links are the targets of the page's links.
func (p page) links() []string {
	link := regexp.MustCompile(`\]\(([^)\s]+)\)`)
	var all []string
	for _, line := range p.prose() {
		for _, m := range link.FindAllStringSubmatch(line, -1) {
			all = append(all, m[1])
		}
	}
	return all
}

// TestPageLinks follows every link from page to page and to files.
func TestPageLinks(t *testing.T) {
	all := pages(t)
	tried := 0
	for _, p := range all {
		for _, link := range p.links() {
			if strings.Contains(link, "://") {
				continue
			}
			tried++
			file, anchor, _ := strings.Cut(link, "#")
			to := p.path
			if file != "" {
				to = filepath.ToSlash(filepath.Join(filepath.Dir(p.path), file))
			}
			if _, err := os.Stat(filepath.Join("../..", to)); err != nil {
				t.Errorf("%s leads to %s: %v", p.path, link, err)
				continue
			}
			i := slices.IndexFunc(all, func(q page) bool { return q.path == to })
			if anchor != "" && (i < 0 || !slices.Contains(all[i].anchors(), anchor)) {
				t.Errorf("%s leads to %s: no such heading", p.path, link)
			}
		}
	}
	if tried == 0 {
		t.Error("no page leads anywhere")
	}
	t.Logf("%d links on %d pages", tried, len(all))
}

// rooms are the pages that the README leads a person to, each in the folder of
// what it is about: station/LEAD.md. The protocol's text is none.
func rooms(t *testing.T, all []page) []string {
	t.Helper()
	person := regexp.MustCompile(`^[a-z/]+/[A-Z]+\.md$`)
	var to []string
	for _, p := range all {
		if p.path != "README.md" {
			continue
		}
		for _, link := range p.links() {
			file, _, _ := strings.Cut(link, "#")
			if person.MatchString(file) && !strings.HasSuffix(file, "/SPEC.md") && !strings.HasSuffix(file, "/README.md") && !slices.Contains(to, file) {
				to = append(to, file)
			}
		}
	}
	return to
}

// TestReadme: the job comes first, in one line of its own, and the page stays
// short enough to be read.
func TestReadme(t *testing.T) {
	const most = 150
	all := pages(t)
	i := slices.IndexFunc(all, func(p page) bool { return p.path == "README.md" })
	if i < 0 {
		t.Fatal("there is no README.md")
	}
	lines := all[i].lines
	if n := len(lines) - 1; n > most {
		t.Errorf("README.md has %d lines, want at most %d: a page in its room takes the rest", n, most)
	}
	if len(lines) < 4 || lines[1] != "" || !strings.HasPrefix(lines[2], "panecal ") || lines[3] != "" {
		t.Error("README.md does not begin with the job in one paragraph")
	}
	if n := len(rooms(t, all)); n < 4 {
		t.Errorf("README.md leads to %d pages for people", n)
	}
}

// TestCommands: every command has an example in its help, and a page shows it,
// or the group that lists it.
func TestCommands(t *testing.T) {
	var text strings.Builder
	for _, p := range pages(t) {
		text.WriteString(strings.Join(p.lines, "\n"))
	}
	// `panecal --data cal log check` shows `panecal log check`.
	shown := regexp.MustCompile(`panecal (?:--(?:data|config) \S+ )?([a-z]+(?: [a-z]+)?)`).FindAllStringSubmatch(text.String(), -1)
	tried := 0
	var walk func(c *cobra.Command, path string)
	walk = func(c *cobra.Command, path string) {
		for _, sub := range c.Commands() {
			walk(sub, strings.TrimSpace(path+" "+sub.Name()))
		}
		var help bytes.Buffer
		c.SetOut(&help)
		if err := c.Help(); err != nil {
			t.Error(err)
		}
		for line := range strings.Lines(help.String()) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 80 {
				t.Errorf("help of panecal %s: %d columns: %s", path, n, line)
			}
		}
		if path == "" || len(c.Commands()) > 0 || c.Name() == "help" {
			return
		}
		tried++
		if c.Example == "" && path != "version" {
			t.Errorf("panecal %s has no example in its help", path)
		}
		if !slices.ContainsFunc(shown, func(m []string) bool { return m[1] == path || strings.Fields(m[1])[0] == strings.Fields(path)[0] }) {
			t.Errorf("no page shows panecal %s", path)
		}
	}
	walk(newRoot(&place{}), "")
	if tried < 10 {
		t.Errorf("only %d commands were found", tried)
	}
}

// TestStopsForTheLead: whoever is called to a nest finds its stop on the page.
func TestStopsForTheLead(t *testing.T) {
	text, err := os.ReadFile("../../station/LEAD.md")
	if err != nil {
		t.Fatal(err)
	}
	stops := 0
	for _, m := range station.Codes() {
		if m.Class != station.NotRunning {
			continue
		}
		stops++
		if !strings.Contains(string(text), fmt.Sprintf("| `%s` |", m.Code)) {
			t.Errorf("station/LEAD.md does not say what to do about %s", m.Code)
		}
	}
	if stops == 0 {
		t.Error("there are no stops")
	}
}

// script is the page's shell blocks as one script that says after each block
// that it has been run.
func (p page) script() (text string, lines []int) {
	var b strings.Builder
	b.WriteString("set -eu\n")
	for _, k := range p.blocks() {
		if k.lang != "sh" {
			continue
		}
		lines = append(lines, k.line)
		fmt.Fprintf(&b, "%secho %d >> \"$RAN\"\n", k.text, k.line)
	}
	return b.String(), lines
}
