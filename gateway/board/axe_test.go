package board

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha512"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// axe-core (MPL-2.0) judges the pages' accessibility. It is used in this test alone and is no part of the project: it is fetched
// once, of one version with one checksum, the "integrity" that its registry gives.
const (
	axeFile  = "axe-core-4.14.1.tgz"
	axeURL   = "https://registry.npmjs.org/axe-core/-/" + axeFile
	axeSHA   = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ==" // SHA-512
	axeBytes = 4 << 20
)

var axeSource = sync.OnceValues(func() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	file := filepath.Join(cache, "longlane-test", axeFile)
	tgz, err := os.ReadFile(file)
	if err != nil || !isAxe(tgz) {
		if tgz, err = fetchAxe(); err != nil {
			return "", fmt.Errorf("%w; without a network put the file there by hand: %s", err, file)
		}
		if err := errors.Join(os.MkdirAll(filepath.Dir(file), 0o755), os.WriteFile(file, tgz, 0o644)); err != nil {
			return "", err
		}
	}
	return unpackAxe(tgz)
})

func isAxe(tgz []byte) bool {
	sum := sha512.Sum512(tgz)
	return base64.StdEncoding.EncodeToString(sum[:]) == axeSHA
}

func fetchAxe() ([]byte, error) {
	c := http.Client{Timeout: time.Minute}
	a, err := c.Get(axeURL)
	if err != nil {
		return nil, err
	}
	defer a.Body.Close()
	tgz, err := io.ReadAll(io.LimitReader(a.Body, axeBytes))
	switch {
	case err != nil:
		return nil, fmt.Errorf("fetch %s: %w", axeURL, err)
	case a.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("fetch %s: %s", axeURL, a.Status)
	case !isAxe(tgz):
		return nil, fmt.Errorf("fetch %s: found another checksum, expected SHA-512 %s", axeURL, axeSHA)
	}
	return tgz, nil
}

func unpackAxe(tgz []byte) (string, error) {
	z, err := gzip.NewReader(bytes.NewReader(tgz))
	if err != nil {
		return "", err
	}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err != nil {
			return "", fmt.Errorf("find axe.min.js in %s: %w", axeFile, err)
		}
		if h.Name == "package/axe.min.js" {
			text, err := io.ReadAll(r)
			return string(text), err
		}
	}
}

type violation struct {
	ID     string `json:"id"`
	Impact string `json:"impact"`
	Help   string `json:"help"`
	Nodes  []struct {
		HTML    string `json:"html"`
		Summary string `json:"failureSummary"`
	} `json:"nodes"`
}

// violations asks axe what is wrong with the page that p shows.
func (p *tab) violations(t *testing.T) []violation {
	t.Helper()
	source, err := axeSource()
	if err != nil {
		t.Fatal(err)
	}
	eval[chromedp.Void](p, source+"; 0")
	return eval[[]violation](p, `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations)`, chromedp.EvalAwaitPromise)
}

// accessible fails for what axe calls serious or critical, and for what it calls moderate as well.
func (p *tab) accessible(where string) {
	p.t.Helper()
	for _, v := range p.violations(p.t) {
		var b strings.Builder
		for _, n := range v.Nodes {
			fmt.Fprintf(&b, "\n  %.200s\n    %s", n.HTML, strings.ReplaceAll(n.Summary, "\n", " "))
		}
		if v.Impact == "minor" {
			p.t.Logf("%s: %s: %s (%s)%s", where, v.Impact, v.Help, v.ID, b.String())
			continue
		}
		p.t.Errorf("%s: %s: %s (%s)%s", where, v.Impact, v.Help, v.ID, b.String())
	}
}
