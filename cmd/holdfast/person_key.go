package main

import (
	"context"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

type personKeysCmd struct {
	Name string `arg:"" optional:"" help:"Whose; everybody's if left out."`
	JSON bool   `help:"As JSON."`
}

func (personKeysCmd) Help() string {
	return `Examples:
  holdfast person keys
  holdfast person keys "M. Tern" --json`
}

func (c *personKeysCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	id, names := "", map[string]string{}
	if c.Name != "" {
		p, _, err := a.Store.Person(ctx, c.Name)
		if err != nil {
			return err
		}
		id = p.ID
	}
	people, err := a.Store.People(ctx)
	if err != nil {
		return err
	}
	for _, p := range people {
		names[p.ID] = p.Name
	}
	keys, err := a.Store.Keys(ctx, id)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, map[string]any{"keys": orNone(keys)})
	}
	w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "ID\tKIND\tNAME\tWHOSE\tMAY DO\tLAST USED\tRUNS OUT")
	for _, k := range keys {
		used := "-"
		if at, ok := k.UsedAt.Get(); ok {
			used = at.Format("2006-01-02 15:04")
		}
		scope := string(k.Role)
		if scope == "" {
			scope = "all roles"
		} else if k.ReadOnly {
			scope += ", reads only"
		}
		fmt.Fprintf(w, "%s\t%s\t%.40s\t%s\t%s\t%s\t%s\n", k.ID, k.Kind, k.Name, names[k.Person], scope, used, k.Expires.Format(time.DateOnly))
	}
	return w.Flush()
}

type personTokenCmd struct {
	Name   string            `arg:"" help:"In whose name the program acts."`
	For    string            `help:"What it is for, as it is listed." required:"" placeholder:"TEXT"`
	Role   survey.PersonRole `help:"The most it may do: no more than the person." default:"viewer" placeholder:"ROLE"`
	Writes bool              `help:"It may change things too."`
	Days   int               `help:"For how many days." default:"90"`
	JSON   bool              `help:"As JSON."`
}

func (personTokenCmd) Help() string {
	return `Examples:
  holdfast person token "M. Tern" --for "county map"
  holdfast person token "M. Tern" --for "field sync" --role surveyor --writes --days 30

The token is printed once and stored nowhere. Programs send it as
Authorization: Bearer TOKEN.`
}

func (c *personTokenCmd) Run(ctx context.Context, g *globals, s *streams) error {
	k := survey.Key{Kind: survey.Token, Name: c.For, Role: c.Role, ReadOnly: !c.Writes}
	return g.makeKey(ctx, s, c.Name, k, c.Days, "holdfast_", func(k survey.Key, token string) error {
		if c.JSON {
			return printJSON(s.out, map[string]any{"token": token, "key": k})
		}
		_, err := fmt.Fprintln(s.out, token)
		return err
	})
}

type linkFlags struct {
	Days int    `help:"For how many days." default:"90"`
	URL  string `name:"url" help:"Address under which the server is reached from there." default:"http://127.0.0.1:8080" placeholder:"URL"`
}

func (f linkFlags) link(path, token string) string {
	return strings.TrimSuffix(f.URL, "/") + path + token
}

type personDeviceCmd struct {
	Name   string `arg:"" help:"In whose name the device is used."`
	Device string `help:"Which device, as it is listed." required:"" placeholder:"TEXT"`
	linkFlags
}

func (personDeviceCmd) Help() string {
	return `Examples:
  holdfast person device "M. Tern" --device "tablet 3" --url https://district.example:8443

The link works once, within a day, and lets the device survey for so many days.`
}

func (c *personDeviceCmd) Run(ctx context.Context, g *globals, s *streams) error {
	k := survey.Key{Kind: survey.Link, Name: c.Device, Role: survey.Surveyor}
	return g.makeKey(ctx, s, c.Name, k, c.Days, "", func(_ survey.Key, token string) error {
		_, err := fmt.Fprintln(s.out, c.link("/link/", token))
		return err
	})
}

type personScreenCmd struct {
	Name   string `arg:"" help:"Who answers for it; with their account it ends."`
	Screen string `help:"Where it hangs, as it is listed." required:"" placeholder:"TEXT"`
	linkFlags
}

func (personScreenCmd) Help() string {
	return `Examples:
  holdfast person screen "R. Osier" --screen "watch room" --url https://district.example:8443

Whoever has the link reads the atlas without contacts until it runs out.`
}

func (c *personScreenCmd) Run(ctx context.Context, g *globals, s *streams) error {
	k := survey.Key{Kind: survey.Station, Name: c.Screen, Role: survey.Viewer, ReadOnly: true}
	return g.makeKey(ctx, s, c.Name, k, c.Days, "", func(_ survey.Key, token string) error {
		_, err := fmt.Fprintln(s.out, c.link("/station/", token))
		return err
	})
}

// makeKey makes a key of a person and shows what proves it, once.
func (g *globals) makeKey(ctx context.Context, s *streams, name string, k survey.Key, days int, prefix string, show func(survey.Key, string) error) error {
	return g.withPerson(ctx, s, name, func(store *sqlite.Store, p survey.Person) error {
		now := s.now().UTC()
		k.Person, k.Expires = p.ID, now.AddDate(0, 0, days)
		if err := k.Check(p, now); err != nil {
			return misuse("%s", plainProblems(err))
		}
		if k.Kind == survey.Link {
			k.Days, k.Expires = days, now.Add(survey.LinkLast)
		}
		token := secret.NewToken(prefix)
		made, err := store.AddKey(ctx, k, secret.Digest(token), author())
		if err != nil {
			return err
		}
		return show(made, token)
	})
}

type personEndCmd struct {
	ID string `arg:"" help:"Of the key, as holdfast person keys lists it."`
}

func (personEndCmd) Help() string {
	return `Example:
  holdfast person end 01a21374-b947-79b1-bd95-1edc04e9bb9d`
}

func (c *personEndCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{})
	if err != nil {
		return err
	}
	defer done()
	return a.Store.RemoveKey(ctx, c.ID, "", author())
}

type personSignOutCmd struct {
	Name string `arg:"" help:"Who."`
}

func (personSignOutCmd) Help() string {
	return `Example:
  holdfast person sign-out "M. Tern"

Browsers, devices, tokens, wall screens and unused links of that person end.`
}

func (c *personSignOutCmd) Run(ctx context.Context, g *globals, s *streams) error {
	return g.withPerson(ctx, s, c.Name, func(store *sqlite.Store, p survey.Person) error {
		return store.RemoveKeys(ctx, p.ID, author())
	})
}
