package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/term"

	"drumline/api"
)

// What a person can answer to every question, beside the answer.
var (
	errLeave   = errors.New("left")           // /q, or the input ended
	errBack    = errors.New("back")           // /b: to the choice of the check
	errNotDone = errors.New("cannot be done") // /n: the check in hand
	ways       = map[string]error{"/q": errLeave, "/b": errBack, "/n": errNotDone}
)

// terminal speaks with a person, or with a script at the other end of a pipe.
type terminal struct {
	ctx context.Context
	in  io.Reader
	buf *bufio.Reader
	out io.Writer
}

func newTerminal(ctx context.Context, in io.Reader, out io.Writer) *terminal {
	return &terminal{ctx: ctx, in: in, buf: bufio.NewReader(in), out: out}
}

// say writes a line. Names and notes come from other people: a control
// character among them does not reach the terminal.
func (t *terminal) say(format string, args ...any) { t.write(fmt.Sprintf(format, args...) + "\n") }

func (t *terminal) write(text string) {
	_, _ = io.WriteString(t.out, strings.Map(printable, text)) // a person who cannot be told cannot answer either
}

func printable(r rune) rune {
	if unicode.IsControl(r) && r != '\n' {
		return -1
	}
	return r
}

// ask gives the trimmed answer to a question, or the way out that was taken in
// its place.
func (t *terminal) ask(question string) (string, error) {
	line, err := t.line(question)
	if errors.Is(err, io.EOF) {
		t.say("")
		return "", errLeave
	}
	line = strings.TrimSpace(line)
	if way, ok := ways[line]; ok && err == nil {
		err = way
	}
	return line, err
}

// line asks for a line as it is typed.
func (t *terminal) line(question string) (string, error) {
	t.write(question)
	return t.wait(func() (string, error) {
		line, err := t.buf.ReadString('\n')
		if errors.Is(err, io.EOF) && line != "" {
			err = nil // the last line may lack its end
		}
		return strings.TrimRight(line, "\r\n"), err
	})
}

// secret asks for what must not be shown.
func (t *terminal) secret(question string) (string, error) {
	f, ok := t.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return t.line(question)
	}
	shown, err := term.GetState(int(f.Fd()))
	if err != nil {
		return "", fmt.Errorf("terminal: %w", err)
	}
	t.write(question)
	text, err := t.wait(func() (string, error) {
		b, err := term.ReadPassword(int(f.Fd()))
		return string(b), err
	})
	t.say("")
	if t.ctx.Err() != nil {
		err = errors.Join(err, term.Restore(int(f.Fd()), shown))
	}
	return text, err
}

// wait reads until the person has answered or the program is told to stop. A
// read cannot be broken off: one that nobody waits for ends with the program.
func (t *terminal) wait(read func() (string, error)) (string, error) {
	type answer struct {
		text string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		text, err := read()
		got <- answer{text, err}
	}()
	select {
	case a := <-got:
		return a.text, a.err
	case <-t.ctx.Done():
		return "", t.ctx.Err()
	}
}

// yes asks a question that nobody answers by leaving it out.
func (t *terminal) yes(question string) (bool, error) {
	for {
		given, err := t.ask(question + "? (yes/no): ")
		if err != nil {
			return false, err
		}
		switch strings.ToLower(given) {
		case "y", "yes":
			return true, nil
		case "n", "no":
			return false, nil
		}
	}
}

// pick asks for one of a few words, by number or by itself.
func (t *terminal) pick(what string, words []string) (string, error) {
	choices := []api.CatalogueName{}
	for _, w := range words {
		choices = append(choices, api.CatalogueName{ID: w, Name: strings.ReplaceAll(w, "_", " ")})
	}
	t.list(choices)
	for {
		given, err := t.ask(what + ": ")
		if err != nil {
			return "", err
		}
		if id, ok := chosen(choices, given); ok {
			return id, nil
		}
		t.say("! Give a number from 1 to %d.", len(words))
	}
}

func (t *terminal) list(choices []api.CatalogueName) {
	for i, c := range choices {
		t.say("    %d  %s", i+1, c.Name)
	}
}

// chosen is the choice that was given by number or by id.
func chosen(choices []api.CatalogueName, given string) (string, bool) {
	if n, err := strconv.Atoi(given); err == nil && n >= 1 && n <= len(choices) {
		return choices[n-1].ID, true
	}
	return given, slices.ContainsFunc(choices, func(c api.CatalogueName) bool { return c.ID == given })
}
