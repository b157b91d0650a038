package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"holdfast/survey"
	"holdfast/survey/sqlite"
	stations "holdfast/survey/together"
)

type syncCmd struct {
	With      string `arg:"" help:"The other atlas: the address of a server, or a file." placeholder:"URL|FILE"`
	TokenFile string `help:"File that holds the token which lets this machine in; HOLDFAST_TOKEN holds the token itself." type:"existingfile" placeholder:"FILE"`
	JSON      bool   `help:"A summary as JSON."`
}

func (syncCmd) Help() string {
	return `Examples:
  holdfast sync https://headquarters.example:8443 --token-file token.txt
  holdfast sync /media/stick/district.db
  holdfast sync http://127.0.0.1:8080 --atlas new-laptop.db

Brings two atlases that were written apart to the same state, both ways. It may
break off anywhere, be repeated, and run in any order between any number of
stations. Edits that do not touch are merged; where they do, both versions are
kept and listed until a person chooses. An atlas that is not there yet is made
from the other. A server with accounts wants the token of a lead. Layers that
were changed here go there by that of a lead whose account has the role gis
too; with another they are left out and named, and all else goes. Accounts,
keys, sign-ins and saved mappings of columns stay where they are.`
}

func (c *syncCmd) Run(ctx context.Context, g *globals, s *streams) error {
	there, closeThere, err := c.other(ctx, g, s)
	if err != nil {
		return err
	}
	defer closeThere()
	store, err := sqlite.Open(ctx, g.Atlas, sqlite.Options{Create: true, Now: s.now}) // without a policy: it comes along
	if err != nil {
		return err
	}
	here := stations.Local{Atlas: store, Author: author()}
	defer closing(store, s.err)
	show := func(stations.Summary) {}
	if f, ok := terminal(s.err); ok {
		show = func(t stations.Summary) {
			fmt.Fprintf(f, "\r\x1b[K%d revisions sent, %d received, %d layers and photos", t.Sent, t.Received, t.Contents)
		}
		defer fmt.Fprintln(f)
	}
	sum, err := stations.Exchange(ctx, here, there, show)
	if err != nil {
		return fmt.Errorf("%w; what was exchanged so far is kept, so run it again", err)
	}
	open, err := store.OpenConflicts(ctx)
	if err != nil {
		return err
	}
	shared, err := store.SharedCodes(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, struct {
			stations.Summary
			Conflicts   []sqlite.Conflict   `json:"conflicts"`
			SharedCodes []sqlite.SharedCode `json:"shared_codes"`
		}{sum, open, shared})
	}
	return printSync(s.out, sum, open, shared)
}

func printSync(w io.Writer, sum stations.Summary, open []sqlite.Conflict, shared []sqlite.SharedCode) error {
	fmt.Fprintf(w, "%d revisions sent, %d received; %d layers and photos brought.\n", sum.Sent, sum.Received, sum.Contents)
	if sum.Lacking > 0 {
		fmt.Fprintf(w, "%d layers or photos are spoken of and neither side has them.\n", sum.Lacking)
	}
	for _, l := range sum.LeftOut {
		fmt.Fprintf(w, "Left out: what changed in %s %s; %s. It stays here, and goes along when such a person syncs.\n", strings.TrimSuffix(l.Collection, "s"), shortened(l.ID), l.Why)
	}
	for _, c := range shared {
		names := make([]string, len(c.Sites))
		for i, site := range c.Sites {
			names[i] = fmt.Sprintf("%s (%s)", site.Name, site.ID)
		}
		fmt.Fprintf(w, "The code %s is that of %s: give all but one another code.\n", c.Code, strings.Join(names, " and "))
	}
	if len(open) == 0 {
		_, err := fmt.Fprintln(w, "No conflict is open.")
		return err
	}
	fmt.Fprintf(w, "Open conflicts: %d. What is first is in force until a person chooses:\n", len(open))
	for _, c := range open {
		fmt.Fprintf(w, "  %s %s, %s\n", strings.TrimSuffix(c.Collection, "s"), c.Name, field(c.Path))
		for _, side := range c.Sides {
			value := "taken out, or not recorded"
			if side.Value != nil {
				value = shortened(string(side.Value))
			}
			fmt.Fprintf(w, "    %s, by %s on %s\n", value, side.Who, side.At.Format("2006-01-02 15:04 MST"))
		}
	}
	return nil
}

// field names the field of a conflict.
func field(path string) string {
	path = strings.TrimPrefix(path, "/properties")
	if path == "" {
		return "as a whole"
	}
	return strings.ReplaceAll(strings.TrimPrefix(path, "/"), "/", ".")
}

func shortened(text string) string {
	if r := []rune(text); len(r) > 80 {
		return string(r[:79]) + "…"
	}
	return text
}

// other opens the side that the argument names.
func (c *syncCmd) other(ctx context.Context, g *globals, s *streams) (stations.Atlas, func(), error) {
	nothing := func() {}
	if strings.HasPrefix(c.With, "http://") || strings.HasPrefix(c.With, "https://") {
		token := os.Getenv("HOLDFAST_TOKEN")
		if c.TokenFile != "" {
			text, err := os.ReadFile(c.TokenFile)
			if err != nil {
				return nil, nothing, plainOpen(c.TokenFile, err)
			}
			token = strings.TrimSpace(string(text))
		}
		r, err := stations.Dial(c.With, token)
		if errors.Is(err, survey.ErrInvalid) {
			err = usageError{err}
		}
		return r, nothing, err
	}
	if sameFile(c.With, g.Atlas) {
		return nil, nothing, misuse("%s is the atlas itself", c.With)
	}
	_, here := os.Stat(g.Atlas)
	_, there := os.Stat(c.With)
	if here != nil && there != nil {
		return nil, nothing, fmt.Errorf("neither %s nor %s is there", g.Atlas, c.With)
	}
	store, err := sqlite.Open(ctx, c.With, sqlite.Options{Create: true, Now: s.now})
	if err != nil {
		return nil, nothing, err
	}
	return stations.Local{Atlas: store, Author: author()}, func() { closing(store, s.err) }, nil
}

// sameFile tells whether two paths are one file.
func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return a == b
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

func closing(store *sqlite.Store, stderr io.Writer) {
	if err := store.Close(); err != nil {
		fmt.Fprintln(stderr, "holdfast:", err)
	}
}
