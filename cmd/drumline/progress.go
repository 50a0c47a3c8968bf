package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// progress shows how far a long piece of work is: a bar on a terminal, else a
// line for each tenth.
type progress struct {
	w     io.Writer
	what  string
	bar   *progressbar.ProgressBar
	begun time.Time
	tenth int
	shown bool
}

func newProgress(w io.Writer, what string) *progress {
	p := &progress{w: w, what: what, begun: time.Now()}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.bar = progressbar.NewOptions(1, progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what), progressbar.OptionShowCount(),
			progressbar.OptionSetPredictTime(true), progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30))
		return p
	}
	_, _ = fmt.Fprintln(w, what+" …")
	return p
}

// set says that done of total is done.
func (p *progress) set(done, total int) {
	p.shown = done == total
	if p.bar != nil {
		p.bar.ChangeMax(total)
		_ = p.bar.Set(done) // a bar that cannot be drawn is not missed
		return
	}
	if t := 10 * done / total; t > p.tenth {
		p.tenth = t
		_, _ = fmt.Fprintf(p.w, "  %d %% (%d of %d customers and calls)\n", 10*t, done, total)
	}
}

// finish says how long it took, when it came to its end.
func (p *progress) finish() {
	if p.bar != nil {
		_ = p.bar.Finish() // as above
	}
	if p.shown {
		_, _ = fmt.Fprintf(p.w, "%s: done in %.0f s\n", p.what, time.Since(p.begun).Seconds())
	}
}
