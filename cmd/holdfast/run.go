package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/alecthomas/kong"

	"holdfast/data"
	"holdfast/geo/magnetic"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

// Exit codes of every verb.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// streams are what a verb reads and writes; tests pass their own.
type streams struct {
	in       io.Reader
	out, err io.Writer
	now      func() time.Time
}

// globals are the flags of every verb.
type globals struct {
	Atlas    string `help:"The atlas file." env:"HOLDFAST_ATLAS" default:"atlas.db" type:"path" placeholder:"FILE"`
	Magnetic string `help:"A newer World Magnetic Model, NOAA's WMM.COF, in place of the built-in one." env:"HOLDFAST_MAGNETIC" type:"path" placeholder:"FILE"`
}

// model returns the magnetic model to use.
func (g *globals) model() (*magnetic.Model, error) {
	if g.Magnetic == "" {
		return magnetic.Default(), nil
	}
	f, err := os.Open(g.Magnetic)
	if err != nil {
		return nil, plainOpen(g.Magnetic, err)
	}
	defer f.Close()
	m, err := magnetic.Parse(f)
	if err != nil {
		return nil, fmt.Errorf("read magnetic model %s: %w", g.Magnetic, err)
	}
	return m, nil
}

type cli struct {
	globals
	Demo     demoCmd     `cmd:"" help:"Make the invented district in a temporary atlas and serve it on this machine."`
	Serve    serveCmd    `cmd:"" help:"Serve an atlas to browsers and GIS programs."`
	Import   importCmd   `cmd:"" help:"Read sites, points or a layer into the atlas."`
	Imports  importsCmd  `cmd:"" help:"What was brought in; take it back; the saved mappings."`
	Layer    layerCmd    `cmd:"" help:"The layers on file; change what one is called, how it takes part, its date."`
	Export   exportCmd   `cmd:"" help:"Write sites, points or a layer to a file."`
	Options  optionsCmd  `cmd:"" help:"Rank the anchors of a point."`
	Near     nearCmd     `cmd:"" help:"The incident question: which anchors serve a casualty at a place."`
	Coverage coverageCmd `cmd:"" help:"How much of the banks on file lies within rope reach of a point that holds."`
	Sheet    sheetCmd    `cmd:"" help:"Print the sheet of a site, a book of several, or the layout of a point."`
	Policy   policyCmd   `cmd:"" help:"Show the department's policy, try another, put it in force."`
	Person   personCmd   `cmd:"" help:"Accounts: who may do what, and what they are signed in with."`
	Support  supportCmd  `cmd:"" help:"Write a file for whoever helps, without personal data."`
	Convert  convertCmd  `cmd:"" help:"Write a position in every notation."`
	Terrain  terrainCmd  `cmd:"" help:"Slope, aspect, fall line and section from an elevation grid."`
	Backup   backupCmd   `cmd:"" help:"Write a checked copy of the atlas, while others go on writing."`
	Restore  restoreCmd  `cmd:"" help:"Make the atlas again what a backup holds."`
	Sync     syncCmd     `cmd:"" help:"Exchange with another holdfast: a server, or an atlas on a stick."`
	Prune    pruneCmd    `cmd:"" help:"Remove what the policy says need not be kept any more."`
	Check    checkCmd    `cmd:"" help:"Read all of the atlas and say what is wrong with it."`
}

// run does what the arguments say and returns the exit code. Data go to
// stdout, everything else to stderr.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var c cli
	helped := false
	parser, err := kong.New(&c,
		kong.Name("holdfast"),
		kong.Description("Anchor points on riverbanks and embankments, surveyed before the call. A planning aid: the people on the ground decide."),
		kong.UsageOnError(),
		kong.Writers(stdout, stderr),
		kong.Exit(func(int) { helped = true }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		fmt.Fprintln(stderr, "holdfast:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	verb, err := parser.Parse(args)
	if helped {
		return exitDone
	}
	if err != nil {
		fmt.Fprintf(stderr, "holdfast: %s\nholdfast --help lists what it can do.\n", err)
		return exitUsage
	}
	s := &streams{in: stdin, out: stdout, err: stderr, now: time.Now}
	verb.BindTo(ctx, (*context.Context)(nil))
	if err := verb.Run(&c.globals, s); err != nil {
		var usage usageError
		if errors.As(err, &usage) {
			fmt.Fprintln(stderr, "holdfast:", err)
			return exitUsage
		}
		if !errors.Is(err, errReported) {
			fmt.Fprintln(stderr, "holdfast:", err)
		}
		return exitFailed
	}
	return exitDone
}

// usageError is a call that cannot mean anything.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func misuse(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errReported is returned when everything has been said on stderr already.
var errReported = errors.New("failed")

// open opens the atlas for a verb that only reads.
func (g *globals) open(ctx context.Context, s *streams, o sqlite.Options) (atlas.Atlas, func(), error) {
	o.Now = s.now
	if o.Create {
		p, err := survey.ParsePolicy(data.DefaultPolicy)
		if err != nil {
			return atlas.Atlas{}, nil, fmt.Errorf("read the default policy: %w", err)
		}
		o.Policy = p
	}
	model, err := g.model()
	if err != nil {
		return atlas.Atlas{}, nil, err
	}
	store, err := sqlite.Open(ctx, g.Atlas, o)
	if errors.Is(err, survey.ErrNotFound) {
		return atlas.Atlas{}, nil, fmt.Errorf("%w; holdfast import makes an atlas, holdfast demo shows one", err)
	}
	if err != nil {
		return atlas.Atlas{}, nil, err
	}
	closeStore := func() {
		if err := store.Close(); err != nil {
			fmt.Fprintln(s.err, "holdfast:", err)
		}
	}
	return atlas.Atlas{Store: store, Now: s.now, Magnetic: model}, closeStore, nil
}

// author is who the command line says is at the keyboard.
func author() sqlite.Author {
	who := os.Getenv("USER")
	if who == "" {
		who = "command line"
	}
	host, err := os.Hostname()
	if err != nil {
		host = ""
	}
	return sqlite.Author{Who: who, Device: host}
}

func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// terminal tells whether a stream is a person's terminal, where long work shows
// its progress; in a pipe it stays quiet.
func terminal(w io.Writer) (*os.File, bool) {
	f, ok := w.(*os.File)
	if !ok {
		return nil, false
	}
	info, err := f.Stat()
	return f, err == nil && info.Mode()&os.ModeCharDevice != 0
}
