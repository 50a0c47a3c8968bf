package mail

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"os"
	"sync"
	"time"
)

// content hands the text over. The library's own DATA writes text and final
// dot in one go; here the dot waits until the peer was looked at, so that a
// connection lost before it is known to be so.
func (c *Client) content(ctx context.Context, body []byte, stop func() bool) Outcome {
	c.wire.until(ctx, c.server.Step)
	text := c.smtp.Text
	if err := text.PrintfLine("DATA"); err != nil {
		return failed(Content, err)
	}
	if _, _, err := text.ReadResponse(354); err != nil {
		return failed(Content, err)
	}
	c.wire.begun = true
	c.wire.until(ctx, c.server.Step)
	if _, err := text.W.Write(stuffed(body)); err != nil {
		return failed(Content, err)
	}
	if err := text.W.Flush(); err != nil {
		return failed(Content, err)
	}
	if o, lost := c.look(ctx); lost {
		return o
	}
	if err := ctx.Err(); err != nil {
		return failed(Content, err)
	}
	stop()
	return c.dot(ctx)
}

// stuffed doubles the dot that begins a line (RFC 5321 §4.5.2) and leaves out
// the last line end, which goes with the final dot.
func stuffed(body []byte) []byte {
	body = bytes.TrimSuffix(body, []byte("\r\n"))
	out := bytes.ReplaceAll(body, []byte("\r\n."), []byte("\r\n.."))
	if bytes.HasPrefix(out, []byte(".")) {
		out = append([]byte("."), out...)
	}
	return out
}

// look says whether the peer has closed or spoken though the text is not
// ended: then the dot must not be sent.
func (c *Client) look(ctx context.Context) (Outcome, bool) {
	c.wire.until(ctx, c.server.Look)
	_, err := c.smtp.Text.R.Peek(1)
	if errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil {
		return Outcome{}, false
	}
	if err != nil {
		return failed(Content, fmt.Errorf("the connection ended before the text did: %w", err)), true
	}
	c.wire.until(ctx, c.server.Step)
	code, early, err := c.smtp.Text.ReadResponse(0)
	if err == nil {
		err = &textproto.Error{Code: code, Msg: early}
	}
	return failed(Content, err), true
}

// dot ends the text. From here on the mail may be the server's: only a reply
// says what became of it.
func (c *Client) dot(ctx context.Context) Outcome {
	c.wire.until(context.Background(), c.server.Reply)
	stop := context.AfterFunc(ctx, func() { c.wire.until(context.Background(), min(grace, c.server.Reply)) })
	defer stop()
	text := c.smtp.Text
	_, err := text.W.WriteString("\r\n.\r\n")
	if err == nil {
		err = text.W.Flush()
	}
	if err != nil {
		return unknown(err)
	}
	code, said, err := text.ReadResponse(0)
	if err != nil {
		return unknown(err)
	}
	return replied(code, said)
}

func unknown(err error) Outcome {
	return Outcome{Kind: Ambiguous, Reply: inWords(err), Where: Reply, Server: true, Err: err}
}

// replied reads the reply to the final dot (RFC 5321 §4.2.1). A code of
// another class settles nothing.
func replied(code int, text string) Outcome {
	kinds := map[int]Kind{2: Accepted, 4: Deferred, 5: Refused}
	if kind, ok := kinds[code/100]; ok {
		return said(kind, Reply, code, text)
	}
	return said(Ambiguous, Reply, code, text)
}

// maxStep is how much a server may say within one step, TLS handshake
// included: a bound against one that never stops.
const maxStep = 256 * 1024

var errTalks = errors.New("the server says more than a reply can be")

// wire is the connection with a deadline and a bound for each step.
type wire struct {
	net.Conn
	begun bool // the text of a mail was begun on it

	mu    sync.Mutex
	heard int // octets within this step
}

// until begins a step that may take d, and not longer than ctx.
func (w *wire) until(ctx context.Context, d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.heard = 0
	at := time.Now().Add(d)
	if end, ok := ctx.Deadline(); ok && end.Before(at) {
		at = end
	}
	if ctx.Err() != nil {
		at = time.Now()
	}
	_ = w.SetDeadline(at)
}

// expire ends what is under way.
func (w *wire) expire() {
	w.mu.Lock()
	defer w.mu.Unlock()
	_ = w.SetDeadline(time.Now())
}

// Read counts what is heard.
func (w *wire) Read(p []byte) (int, error) {
	w.mu.Lock()
	heard := w.heard
	w.mu.Unlock()
	if heard >= maxStep {
		return 0, errTalks
	}
	n, err := w.Conn.Read(p)
	w.mu.Lock()
	w.heard += n
	w.mu.Unlock()
	return n, err
}
