package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

type personCmd struct {
	List     personListCmd     `cmd:"" help:"List everybody with an account."`
	Add      personAddCmd      `cmd:"" help:"Make an account. The first one closes the atlas to everybody else."`
	Change   personChangeCmd   `cmd:"" help:"Give an account other roles, open or close it."`
	Password personPasswordCmd `cmd:"" help:"Give a person another password."`
	Keys     personKeysCmd     `cmd:"" help:"List what people are signed in with: browsers, devices, wall screens, tokens."`
	Token    personTokenCmd    `cmd:"" help:"Make a token for a program."`
	Device   personDeviceCmd   `cmd:"" help:"Make a link that signs a field device in."`
	Screen   personScreenCmd   `cmd:"" help:"Make a link for a wall screen, which reads and nothing else."`
	End      personEndCmd      `cmd:"" help:"End one of the keys that are listed."`
	SignOut  personSignOutCmd  `cmd:"" help:"End everything a person is signed in with."`
}

func (personCmd) Help() string {
	return `Examples:
  holdfast person add "R. Osier" --role admin,lead
  holdfast person list
  holdfast person change "M. Tern" --role surveyor
  holdfast person token "M. Tern" --for "county map" --role viewer --days 90

Roles: viewer reads; surveyor records sites and points; gis brings in layers;
lead changes ratings, signs off and takes out; admin keeps accounts. A person
may have several. Whoever can write the atlas file needs no account to do this.`
}

type personListCmd struct {
	JSON bool `help:"As JSON."`
}

func (personListCmd) Help() string {
	return `Examples:
  holdfast person list
  holdfast person list --json`
}

func (c *personListCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	people, err := a.Store.People(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, map[string]any{"people": orNone(people)})
	}
	if len(people) == 0 {
		fmt.Fprintln(s.err, "Nobody has an account: this machine may do everything, others are not served.")
		return nil
	}
	w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tROLES\tCONTACTS\tACCOUNT")
	for _, p := range people {
		account := "open"
		if at, closed := p.Closed.Get(); closed {
			account = "closed " + at.Format(time.DateOnly)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", p.Name, roleNames(p.Roles), map[bool]string{true: "yes", false: "no"}[p.Leave().Has(survey.Contacts)], account)
	}
	return w.Flush()
}

func orNone[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func roleNames(roles []survey.PersonRole) string {
	out := make([]string, len(roles))
	for i, r := range roles {
		out[i] = string(r)
	}
	return strings.Join(out, ", ")
}

type personAddCmd struct {
	Name       string              `arg:"" help:"To sign in with, and to stand beside what the person does."`
	Role       []survey.PersonRole `help:"viewer, surveyor, gis, lead, admin; several with commas." required:"" placeholder:"ROLE,..."`
	Contacts   bool                `help:"May see contacts and ticket numbers whatever the roles."`
	NoPassword bool                `help:"Signs in by device links only."`
	JSON       bool                `help:"The person as JSON."`
}

func (personAddCmd) Help() string {
	return `Examples:
  holdfast person add "R. Osier" --role admin,lead
  holdfast person add "Engine 4" --role surveyor --no-password
  pass show holdfast | holdfast person add "M. Tern" --role viewer

The password is asked for on the terminal or read from standard input, one line
of at least 12 characters. It is never an argument.`
}

func (c *personAddCmd) Run(ctx context.Context, g *globals, s *streams) error {
	p := survey.Person{Name: strings.Join(strings.Fields(c.Name), " "), Roles: c.Role, Contacts: c.Contacts}
	if err := p.Validate(); err != nil {
		return misuse("%s", plainProblems(err))
	}
	a, done, err := g.open(ctx, s, sqlite.Options{})
	if err != nil {
		return err
	}
	defer done()
	hash := ""
	if !c.NoPassword {
		if hash, err = s.newPassword(ctx, p.Name); err != nil {
			return err
		}
	}
	before, err := a.Store.HasPeople(ctx)
	if err != nil {
		return err
	}
	add := a.Store.AddPerson
	if !before {
		add = a.Store.AddFirstPerson
	}
	if p, err = add(ctx, p, hash, author()); err != nil {
		return err
	}
	if !before {
		fmt.Fprintln(s.err, "This is the first account. From now on everybody signs in, on this machine as well.")
	}
	if c.JSON {
		return printJSON(s.out, p)
	}
	_, err = fmt.Fprintf(s.out, "%s may %s.\n", p.Name, p.Leave())
	return err
}

// plainProblems writes what is wrong with a person without the pointers.
func plainProblems(err error) string {
	invalid, ok := errors.AsType[*survey.InvalidError](err)
	if !ok {
		return err.Error()
	}
	var out []string
	for _, one := range invalid.Problems {
		field, _, _ := strings.Cut(strings.TrimPrefix(one.Pointer, "/"), "/")
		out = append(out, strings.TrimSpace(field+" "+one.Message))
	}
	return strings.Join(out, "; ")
}

// newPassword asks for a password and returns its hash.
func (s *streams) newPassword(ctx context.Context, name string) (string, error) {
	password, err := s.password("New password: ")
	if err != nil {
		return "", err
	}
	if err := secret.CheckPassword(password, name); err != nil {
		return "", errors.New(plainProblems(err))
	}
	if in, ok := s.in.(*os.File); ok && term.IsTerminal(int(in.Fd())) {
		again, err := s.password("The same again: ")
		if err != nil {
			return "", err
		}
		if again != password {
			return "", errors.New("the two passwords differ; nothing was changed")
		}
	}
	return secret.NewHasher(secret.Recommended, 1).Hash(ctx, password)
}

// password reads one from the terminal without showing it, or a line from
// elsewhere.
func (s *streams) password(prompt string) (string, error) {
	if in, ok := s.in.(*os.File); ok && term.IsTerminal(int(in.Fd())) {
		fmt.Fprint(s.err, prompt)
		b, err := term.ReadPassword(int(in.Fd()))
		fmt.Fprintln(s.err)
		if err != nil {
			return "", fmt.Errorf("read password: %w", err)
		}
		return string(b), nil
	}
	const most = 2048 // bytes: more than the longest that is taken
	line, err := bufio.NewReaderSize(io.LimitReader(s.in, most), most).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

type personChangeCmd struct {
	Name     string              `arg:"" help:"Whose account."`
	Role     []survey.PersonRole `help:"All the roles the person is to have." placeholder:"ROLE,..."`
	Contacts *bool               `help:"May see contacts and ticket numbers whatever the roles." negatable:""`
	Close    bool                `help:"The person may do nothing any more, and everything they are signed in with ends." xor:"open"`
	Open     bool                `help:"Open a closed account again." xor:"open"`
}

func (personChangeCmd) Help() string {
	return `Examples:
  holdfast person change "M. Tern" --role surveyor,gis
  holdfast person change "M. Tern" --no-contacts
  holdfast person change "M. Tern" --close

An account is closed and never deleted, since the history names the person.`
}

func (c *personChangeCmd) Run(ctx context.Context, g *globals, s *streams) error {
	return g.withPerson(ctx, s, c.Name, func(store *sqlite.Store, p survey.Person) error {
		if c.Role != nil {
			p.Roles = c.Role
		}
		if c.Contacts != nil {
			p.Contacts = *c.Contacts
		}
		switch {
		case c.Close && !p.Closed.Known():
			p.Closed = survey.Known(s.now().UTC())
		case c.Open:
			p.Closed = survey.Opt[time.Time]{}
		}
		if err := p.Validate(); err != nil {
			return misuse("%s", plainProblems(err))
		}
		if err := store.ChangePerson(ctx, p, author()); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.out, "%s may %s.\n", p.Name, p.Leave())
		return err
	})
}

// withPerson opens the atlas for writing and does something with a person.
func (g *globals) withPerson(ctx context.Context, s *streams, name string, do func(*sqlite.Store, survey.Person) error) error {
	a, done, err := g.open(ctx, s, sqlite.Options{})
	if err != nil {
		return err
	}
	defer done()
	p, _, err := a.Store.Person(ctx, name)
	if err != nil {
		return err
	}
	return do(a.Store, p)
}

type personPasswordCmd struct {
	Name string `arg:"" help:"Whose password."`
}

func (personPasswordCmd) Help() string {
	return `Examples:
  holdfast person password "M. Tern"
  pass show holdfast | holdfast person password "M. Tern"

Browsers that were signed in with the old one are signed out.`
}

func (c *personPasswordCmd) Run(ctx context.Context, g *globals, s *streams) error {
	return g.withPerson(ctx, s, c.Name, func(store *sqlite.Store, p survey.Person) error {
		hash, err := s.newPassword(ctx, p.Name)
		if err != nil {
			return err
		}
		if err := store.SetPassword(ctx, p.ID, hash, "", author()); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.out, "%s has a new password.\n", p.Name)
		return err
	})
}
