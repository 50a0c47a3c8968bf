package api

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humaecho"
	"github.com/klauspost/compress/gzhttp"
	"github.com/labstack/echo/v4"
	"go.opentelemetry.io/otel/trace"

	"drumline/api/wire"
	"drumline/domain"
)

// Limits of the server. Bodies have a limit of their own for each operation.
const (
	readHeaderTimeout = 5 * time.Second
	readTimeout       = 30 * time.Second
	writeTimeout      = 60 * time.Second
	idleTimeout       = 120 * time.Second
	bodyTimeout       = 30 * time.Second // a phone with one bar needs most of it
	maxHeaderBytes    = 16 << 10
	defaultMaxBody    = 256 << 10
)

// Info heads the OpenAPI document.
type Info struct {
	Title       string
	Version     string
	Description string
}

// Edge is the HTTP edge: a router, the operations registered on it, and the
// rules every request passes. Set the fields before Handler is called; this
// file is the only one that knows the router.
type Edge struct {
	// Authenticate turns a bearer token into who acts. It runs before
	// anything of the request is parsed. Its error goes to the client by kind.
	Authenticate func(ctx context.Context, token string) (domain.Principal, error)
	// Log gets one line a request, and each internal error.
	Log *slog.Logger
	// Now is the clock of durations.
	Now func() time.Time
	// BodyTimeout bounds the reading of a body, for operations registered
	// after it is set that have no time of their own.
	BodyTimeout time.Duration
	// Tracer, when set, makes a span of each request.
	Tracer trace.Tracer
	// Limits bound what callers may take; nil bounds nothing.
	Limits *Limits
	// Observe, when set, gets the facts of each finished request.
	Observe func(Access)

	router   *echo.Echo
	api      huma.API
	clientIP func(*http.Request) string
	routes   []Op
	packed   map[string]bool // paths whose answers are compressed
	seal     sync.Once
	sealed   bool
	json     []byte
	yaml     func() []byte // made at the first wish: few clients ask
	stopping chan struct{} // closed when the server begins to stop: answers that wait are given at once
	stop     func()
}

// NewEdge makes an edge without operations. It logs to slog.Default() and
// refuses every token until Authenticate is set.
func NewEdge(info Info) *Edge {
	setHuma()
	e := &Edge{
		Authenticate: refuseAll,
		Log:          slog.Default(),
		Now:          time.Now,
		BodyTimeout:  bodyTimeout,
		router:       echo.New(),
		packed:       map[string]bool{},
		clientIP:     echo.ExtractIPDirect(), // the peer itself: no header can claim another
		stopping:     make(chan struct{}),
	}
	e.stop = sync.OnceFunc(func() { close(e.stopping) })
	e.router.Logger.SetOutput(io.Discard) // it knows neither request nor level; ours says all
	e.router.HTTPErrorHandler = e.routerError
	e.router.IPExtractor = e.clientIP
	e.router.Use(e.compress(compressor()))
	e.api = humaecho.New(e.router, humaConfig(info))
	return e
}

func refuseAll(context.Context, string) (domain.Principal, error) {
	return domain.Principal{}, wire.NewProblem(http.StatusUnauthorized)
}

// Handler seals the edge and gives the handler of the whole service: no
// operation may be registered afterwards.
func (e *Edge) Handler() http.Handler {
	e.seal.Do(func() {
		e.sealed = true
		e.makeDocument()
		e.router.GET("/openapi.json", serveBytes("application/json", func() []byte { return e.json }))
		e.router.GET("/openapi.yaml", serveBytes("application/yaml", e.yaml))
	})
	return http.HandlerFunc(e.serve)
}

// TrustProxies takes the client's address from X-Forwarded-For when the peer is
// in one of nets: the last address there that is in none of them. Nothing else
// makes the header count, since any client can send it.
func (e *Edge) TrustProxies(nets []netip.Prefix) {
	e.mustBeOpen("a trusted proxy")
	if len(nets) == 0 {
		return
	}
	options := []echo.TrustOption{echo.TrustLoopback(false), echo.TrustLinkLocal(false), echo.TrustPrivateNet(false)}
	for _, n := range nets {
		n = n.Masked()
		options = append(options, echo.TrustIPRange(&net.IPNet{IP: n.Addr().AsSlice(), Mask: net.CIDRMask(n.Bits(), n.Addr().BitLen())}))
	}
	e.clientIP = echo.ExtractIPFromXFFHeader(options...)
	e.router.IPExtractor = e.clientIP
}

// Server gives a server for the edge with every timeout set. The caller
// listens and shuts down.
func (e *Edge) Server(addr string) *http.Server {
	s := &http.Server{
		Addr:              addr,
		Handler:           e.Handler(),
		ReadHeaderTimeout: readHeaderTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeaderBytes,
		ErrorLog:          slog.NewLogLogger(e.Log.Handler(), slog.LevelWarn),
	}
	s.RegisterOnShutdown(e.stop)
	return s
}

// Mount serves GET path by a plain handler that is not part of the document
// and asks for no token: health and metrics.
func (e *Edge) Mount(path string, h http.Handler) {
	e.mustBeOpen(path)
	e.router.GET(path, func(c echo.Context) error {
		factsOf(c.Request().Context()).route = path
		h.ServeHTTP(c.Response(), c.Request())
		return nil
	})
}

func (e *Edge) mustBeOpen(what string) {
	if e.sealed {
		panic("api: " + what + " is registered after the edge was sealed")
	}
}

func serveBytes(contentType string, body func() []byte) echo.HandlerFunc {
	return func(c echo.Context) error {
		factsOf(c.Request().Context()).route = c.Path()
		return c.Blob(http.StatusOK, contentType, body())
	}
}

// routerError answers what no operation answered: 404, 405 and errors of plain
// handlers.
func (e *Edge) routerError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	header := c.Response().Header()
	if allow := header.Get("Allow"); strings.Contains(allow, http.MethodGet) {
		header.Set("Allow", allow+", "+http.MethodHead)
	}
	var p *wire.Problem
	if he, ok := errors.AsType[*echo.HTTPError](err); ok {
		p = wire.NewProblem(he.Code)
	} else {
		p = e.problem(c.Request().Context(), err)
	}
	writeProblem(c.Response(), factsOf(c.Request().Context()), p)
}

// compressor packs an answer by gzip when the client takes that (RFC 9110,
// 12.5.3). Another coding is another representation and needs a strong tag of
// its own (RFC 9110, 8.8.3.3). gzip alone: every client has it, and one suffix
// stands for one coding.
func compressor() echo.MiddlewareFunc {
	wrap, err := gzhttp.NewWrapper(gzhttp.EnableZstd(false), gzhttp.SuffixETag(wire.GzipSuffix))
	if err != nil {
		panic("api: compression: " + err.Error())
	}
	return echo.WrapMiddleware(func(next http.Handler) http.Handler { return wrap(next) })
}

// compress applies pack to the operations that ask for it. The others stay as
// they are: an answer that holds a secret beside what a stranger may choose
// tells the secret by its packed length.
func (e *Edge) compress(pack echo.MiddlewareFunc) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		packed := pack(next)
		return func(c echo.Context) error {
			if e.packed[c.Path()] {
				return packed(c)
			}
			return next(c)
		}
	}
}
