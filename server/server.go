// Package server is the web face of an atlas: pages for people and, under
// /api, the open standard that other programs use (OGC API - Features,
// 17-069r4 and 20-002). It holds no rule and no arithmetic of the job: a
// handler parses, loads, asks and renders.
package server

import (
	"cmp"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"

	"holdfast/geo/magnetic"
	"holdfast/geo/mbtiles"
	"holdfast/static"
	"holdfast/survey/atlas"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

// Config is what a Server needs.
type Config struct {
	Store    *sqlite.Store
	Now      func() time.Time // nil is time.Now
	Log      *slog.Logger     // nil discards
	Demo     bool             // the atlas is invented, and every page says so
	ReadOnly bool             // writes are refused
	Magnetic *magnetic.Model  // nil is the one the program carries
	Base     *mbtiles.Tiles   // the map below the points; nil is none
	Address  string           // where people reach it, for codes on paper; "" takes that of the request
	Version  string           // of the program, shown in the footer and the API definition

	Wide     bool           // reached from beyond this machine: without accounts, only the first can be made
	Code     string         // whoever has it may make the first account, see NewCode; "" is nobody
	Hasher   *secret.Hasher // of passwords; nil takes the recommended cost
	InFlight int            // requests at work at once; 0 is the usual
}

// MaxBody bounds the body of a request, in bytes. A point with all its lists
// full is well below it.
const MaxBody = 4 << 20

// hashesAtOnce bounds the memory that guessing passwords can take: 64 MiB each.
const hashesAtOnce = 2

// Server serves one atlas over HTTP.
type Server struct {
	store    *sqlite.Store
	atlas    atlas.Atlas
	magnetic *magnetic.Model
	now      func() time.Time
	log      *slog.Logger
	demo     bool
	readOnly bool
	version  string
	address  string     // see Config
	booking  sync.Mutex // held while a book is printed
	static   *static.Files
	pages    map[string]*template.Template
	base     *mbtiles.Tiles
	marks    marks
	reaches  reaches
	catalog  catalog
	counts   kept[sqlite.State, int]
	tiles    kept[string, []byte]
	spool    *spool
	handed   turns         // of contents handed to other stations
	taken    turns         // and of those taken in
	patience time.Duration // with counting what a filter matches
	trial    sync.Mutex    // of a policy: one at a time

	wide      bool
	code      string
	people    atomic.Bool // somebody has an account
	hasher    *secret.Hasher
	throttle  throttle
	places    chan struct{} // of requests at work
	queue     chan struct{} // of requests that wait for a place
	queueWait time.Duration
	figures   *figures
	handler   http.Handler
}

// New prepares a server; it fails only when the program itself is damaged.
func New(c Config) (*Server, error) {
	s := &Server{
		store: c.Store, now: c.Now, log: c.Log,
		demo: c.Demo, readOnly: c.ReadOnly, version: c.Version, address: c.Address, base: c.Base, patience: patience,
	}
	if s.now == nil {
		s.now = time.Now
	}
	s.wide, s.code, s.hasher, s.throttle.now = c.Wide, c.Code, c.Hasher, s.now
	if s.hasher == nil {
		s.hasher = secret.NewHasher(secret.Recommended, hashesAtOnce)
	}
	s.counts.most, s.tiles.most = countsKept, tilesKept
	inFlight := cmp.Or(c.InFlight, inFlightUsual)
	s.places, s.queue, s.queueWait = make(chan struct{}, inFlight), make(chan struct{}, 2*inFlight), queueWait
	s.figures = newFigures(func() float64 { return float64(len(s.places)) }, func() bool { return s.store.Failing() == nil })
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	sweep(os.TempDir(), s.now())
	s.spool = newSpool(s.now)
	s.handed, s.taken = make(turns, contentsAtOnce), make(turns, contentsAtOnce)
	s.magnetic = cmp.Or(c.Magnetic, magnetic.Default())
	s.atlas = atlas.Atlas{Store: c.Store, Now: s.now, Magnetic: s.magnetic, Engines: new(atlas.Engines)}
	var err error
	if s.static, err = static.New("/static/"); err != nil {
		return nil, fmt.Errorf("new server: %w", err)
	}
	if s.pages, err = parsePages(s.static.Path); err != nil {
		return nil, fmt.Errorf("new server: %w", err)
	}
	s.handler = s.routes()
	return s, nil
}

// Close ends what still goes on, such as an import, and leaves no trace of it.
func (s *Server) Close() error { return s.spool.close() }

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// Routes is the route tree, for walking.
func (s *Server) Routes() chi.Routes { return s.handler.(chi.Routes) }

func (s *Server) routes() chi.Router {
	r := chi.NewRouter()
	r.Use(s.logged, headers, s.recovered, s.within, s.sameOrigin, s.guarded, bounded, middleware.GetHead, compressed())
	r.NotFound(s.handleNotFound)
	r.MethodNotAllowed(s.handleMethodNotAllowed)

	r.Get("/", s.handleMap)
	r.Get("/map/points", s.handleMapPoints)
	r.Get("/map/grid", s.handleMapGrid)
	r.Get("/map/ledger", s.handleLedger)
	r.Get("/map/here", s.handleHere)
	r.Get("/map/casualty", s.handleCasualty)
	r.Get("/map/measure", s.handleMeasure)
	r.Get("/map/coverage", s.handleReachPart)
	r.Get("/map/reaches", s.handleReaches)
	r.Get("/map/zones", s.handleZones)
	r.Get("/map/print", s.handleMapPrint)
	r.Get("/map/tiles/{matrix}/{row}/{col}", s.handleMapTile)
	r.Get("/map/base/{z}/{x}/{y}", s.handleBase)
	r.Get("/sites/{id}", s.handleSite)
	r.Get("/sites/{id}/sheet", s.handleSheet)
	r.Get("/sites/{id}/sheet.pdf", s.handleSheetPDF)
	r.Post("/sites/{id}/review", s.handleReview)
	r.Get("/sheet.css", s.handleSheetStyle)
	r.Get("/book.pdf", s.handleBook)
	r.Get("/points/{id}", s.handlePoint)
	r.Post("/points/{id}/pull-tests", s.handleAddPullTest)
	r.Post("/points/{id}/photos", s.handleAddPhotos)
	r.Post("/points/{id}/photos/{photo}/remove", s.handleDropPhoto)
	r.Post("/points/{id}/photos/{photo}/place", s.handlePhotoPlace)
	r.Get("/photos/{photo}", s.handlePhoto)
	r.Get("/photos/{photo}/small", s.handleSmallPhoto)
	r.Get("/points/{id}/layout.svg", s.handleLayoutSVG)
	r.Get("/points/{id}/layout.dxf", s.handleLayoutDXF)
	r.Get("/upkeep", s.handleUpkeep)
	r.Get("/ratings", s.handleRatings)
	r.Post("/ratings", s.handleRatingsSet)
	r.Get("/ratings/change", s.handleRatingsChange)
	r.Post("/ratings/try", s.handleRatingsTry)
	r.Get("/ratings/policy.json", s.handlePolicyFile)
	for _, c := range []string{sqlite.Sites, sqlite.Points} {
		r.Get("/"+c+"/{id}/revisions", s.historyOf(c))
		r.Get("/"+c+"/{id}/revisions/{number}", s.revisionOf(c))
		r.Post("/"+c+"/{id}/revisions/{number}", s.putBack(c))
		r.Post("/"+c+"/{id}/conflicts", s.resolve(c))
	}
	r.Get("/walk", s.handleWalk)
	r.Get("/walk/worker.js", s.handleWalkWorker)
	r.Get("/walk/engine.js", s.handleWalkEngine)
	r.Get("/walk/app.webmanifest", s.handleWalkManifest)
	r.Get("/walk/account", s.handleWalkAccount)
	r.Get("/walk/area", s.handleWalkArea)
	r.Get("/walk/districts", s.handleWalkDistricts)
	r.Get("/layers", s.handleLayers)
	r.Get("/layers/export", s.handleExport)
	r.Post(sendPath, s.handleSend)
	r.Get("/layers/files/{file}", s.handleFile)
	r.Get("/layers/files/{file}/work", s.handleWork)
	r.Get("/layers/files/{file}/report.{format}", s.handleReport)
	r.Post("/layers/files/{file}/look", s.handleLook)
	r.Post("/layers/files/{file}/take", s.handleTake)
	r.Post("/layers/files/{file}/discard", s.handleDiscard)
	r.Get("/layers/{id}/describe", s.handleLayer)
	r.Post("/layers/{id}/describe", s.handleDescribe)
	r.Get("/layers/{id}/remove", s.handleAskRemove)
	r.Post("/layers/{id}/remove", s.handleRemove)
	r.Post("/layers/{id}/restore", s.handleRestore)
	r.Get("/imports/{number}/undo", s.handleAskUndo)
	r.Post("/imports/{number}/undo", s.handleUndo)
	r.Get("/about", s.handleAbout)

	r.Get("/people", s.handlePeople)
	r.Post("/people", s.handleAddPerson)
	r.Post("/people/stations", s.handleAddStation)
	r.Post("/people/keys/{key}/end", s.handleEndKey)
	r.Get("/people/{id}", s.handlePerson)
	r.Post("/people/{id}", s.handleChangePerson)
	r.Post("/people/{id}/password", s.handleResetPassword)
	r.Post("/people/{id}/device", s.handlePersonDevice)
	r.Post("/people/{id}/sign-out", s.handleSignOutPerson)
	r.Get("/account", s.handleAccount)
	r.Post("/account/password", s.handlePassword)
	r.Post("/account/tokens", s.handleAddToken)
	r.Post("/account/devices", s.handleAddDevice)
	r.Post("/account/keys/{key}/end", s.handleEndOwnKey)
	r.Post("/account/sign-out", s.handleSignOutEverywhere)
	r.Get("/sign-in", s.handleSignInPage)
	r.Post("/sign-in", s.handleSignIn)
	r.Post("/sign-out", s.handleSignOut)
	r.Get("/first", s.handleFirstPage)
	r.Post("/first", s.handleFirst)
	r.Get("/link/{code}", s.handleLinkPage)
	r.Post("/link/{code}", s.handleLink)
	r.Get("/station/{code}", s.handleStation)
	r.Get("/healthz", s.handleHealth)
	r.Get("/readyz", s.handleReady)

	r.Post("/display", s.handleDisplay)
	r.Get("/static/*", s.static.ServeHTTP)
	r.Get("/favicon.ico", s.handleIcon)

	r.Route("/api", func(r chi.Router) {
		r.Get("/", s.handleLanding)
		r.Get("/conformance", s.handleConformance)
		r.Get("/openapi", s.handleOpenAPI)
		r.Get("/collections", s.handleCollections)
		r.Get("/collections/{collection}", s.handleCollection)
		r.Get("/collections/{collection}/queryables", s.handleQueryables)
		r.Get("/collections/{collection}/tiles", s.handleTilesets)
		r.Get("/collections/{collection}/tiles/WebMercatorQuad", s.handleTileset)
		r.Get("/collections/{collection}/tiles/WebMercatorQuad/{matrix}/{row}/{col}", s.handleTile)
		r.Get("/tileMatrixSets", s.handleTileMatrixSets)
		r.Get("/tileMatrixSets/WebMercatorQuad", s.handleTileMatrixSet)
		r.Get("/schemas/{noun}", s.handleSchema)
		r.Get("/collections/{collection}/items", s.handleItems)
		r.Post("/collections/{collection}/items", s.handleCreate)
		r.Options("/collections/{collection}/items", s.handleItemsOptions)
		r.Get("/collections/{collection}/items/{id}", s.handleItem)
		r.Put("/collections/{collection}/items/{id}", s.handleReplace)
		r.Delete("/collections/{collection}/items/{id}", s.handleDelete)
		r.Options("/collections/{collection}/items/{id}", s.handleItemOptions)
		r.Get("/collections/{collection}/items/{id}/revisions", s.handleRevisions)
		r.Get("/collections/{collection}/items/{id}/revisions/{number}", s.handleRevision)

		r.Put("/photos/{photo}", s.handlePutPhoto)
		r.Get("/collections/points/items/{id}/options", s.handleOptions)
		r.Get("/collections/sites/items/{id}/sheet", s.handleAPISheet)
		r.Post("/options", s.handleCalculate)
		r.Get("/sync", s.handleStanding)
		r.Get("/sync/revisions", s.handleParcel)
		r.Post("/sync/revisions", s.handleTakeParcel)
		r.Post("/sync/missing", s.handleMissing)
		r.Get("/sync/contents", s.handleWants)
		r.Get("/sync/contents/{kind}/{id}/{sha256}", s.handleContent)
		r.Put("/sync/contents/{kind}/{id}/{sha256}", s.handleGive)
		r.Get("/near", s.handleNear)
		r.Get("/coverage", s.handleCoverage)
		r.Get("/convert", s.handleConvert)
	})
	return r
}

// handleIcon sends a browser that looks for an icon at its old place, as PDF
// viewers do, to the one that the pages name.
//
// GET /favicon.ico
func (s *Server) handleIcon(w http.ResponseWriter, r *http.Request) {
	http.Redirect(w, r, s.static.Path("icon.svg"), http.StatusFound)
}
