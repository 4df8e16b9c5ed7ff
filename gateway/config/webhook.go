package config

import (
	"maps"
	"net/textproto"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"longlane/gateway/webhook/body"
)

// check also completes the content type, and drops empty lists, so that equal configurations compare equal.
func (w *Webhook) check(k checker) {
	w.checkURL(k)
	if !slices.Contains([]string{"POST", "PUT", "PATCH", "GET"}, w.Method) {
		k.refuse("method", quote(w.Method), `"POST", "PUT", "PATCH" or "GET"`)
	}
	w.checkHeaders(k)
	k.secretPath("token_file", w.TokenFile)
	if w.CAFile != "" {
		k.path("ca_file", w.CAFile, `"/etc/longlane/ca.pem"`)
	}
	k.between("timeout", w.Timeout, 500*time.Millisecond, time.Minute)
	w.checkEvents(k)
	if w.Required && !k.has("max_age") {
		w.MaxAge = 0
	}
	if w.MaxAge != 0 {
		k.between("max_age", w.MaxAge, time.Second, 1000*time.Hour)
	}
	w.checkBody(k)
}

func (w *Webhook) checkURL(k checker) {
	const form = `a URL such as "https://lights.lan/trip"`
	if k.missing("url", w.URL, form) {
		return
	}
	u, err := url.Parse(w.URL)
	switch {
	// First, so that no message ever repeats a password. An @ after the host is no password.
	case err == nil && u.User != nil, err != nil && strings.Contains(w.URL, "@"):
		k.refuse("url", "a user or password in the URL", "a token in token_file, since this file is no secret")
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.Port() != "" && !isPort(u.Port(), 1) ||
		strings.HasSuffix(u.Host, ":") || u.Fragment != "" || len(w.URL) > 2048 || !printable(w.URL):
		k.refuse("url", quote(withoutQuery(w.URL)), form)
	case u.Scheme == "http" && w.CAFile != "":
		k.refuse("ca_file", quote(w.CAFile), "no certificates beside an http:// URL, which is not encrypted; https:// is")
	}
}

// withoutQuery leaves out where services put secrets.
func withoutQuery(s string) string {
	before, _, _ := strings.Cut(s, "?")
	return before
}

var (
	headerName = regexp.MustCompile(`^[0-9A-Za-z!#$%&'*+.^_|~-]{1,128}$`) // RFC 9110, section 5.6.2, without the backquote
	valueForm  = regexp.MustCompile(`^[!-~]([ -~]*[!-~])?$`)
)

func headerValue(s string) bool { return len(s) <= 1024 && valueForm.MatchString(s) }

// decided are the headers that a request itself decides, and what to use instead.
var decided = map[string]string{
	"Content-Type": "content_type", "Content-Length": "", "Transfer-Encoding": "", "Connection": "", "Keep-Alive": "", "Host": "the URL's host",
	"Te": "", "Trailer": "", "Upgrade": "", "Expect": "", "Accept-Encoding": "", "Idempotency-Key": "",
}

// secret are the headers that are made for secrets.
var secret = []string{"Authorization", "Proxy-Authorization", "Cookie"}

func (w *Webhook) checkHeaders(k checker) {
	for _, name := range slices.Sorted(maps.Keys(w.Headers)) {
		at, canonical := "headers."+Key(name), textproto.CanonicalMIMEHeaderKey(name)
		instead, taken := decided[canonical]
		switch value := w.Headers[name]; {
		case slices.Contains(secret, canonical):
			k.refuse(at, "a secret", "a token in token_file, since this file is no secret")
		case !headerName.MatchString(name):
			k.refuse(at, quote(name), "the name of a header: letters, digits and \"-\"")
		case taken && instead != "":
			k.refuse(at, quote(name), "no such header; "+instead+" decides it")
		case taken || strings.HasPrefix(canonical, "Ce-"):
			k.refuse(at, quote(name), "no such header; the request itself decides it")
		case !headerValue(value):
			k.refuse(at, quote(value), "1 to 1024 printable ASCII characters, without spaces at the ends")
		}
	}
	if len(w.Headers) == 0 {
		w.Headers = nil
	}
}

func (w *Webhook) checkEvents(k checker) {
	want := `kinds of events, each once, such as ["opened", "fault"]; there are "` + strings.Join(body.Kinds, `", "`) + `"`
	if len(w.Events) == 0 {
		k.refuse("events", "none", want)
	}
	for i, kind := range w.Events {
		if !body.Known(kind) || slices.Contains(w.Events[:i], kind) {
			k.refuse(element("events", i), quote(kind), want)
		}
	}
	for i, zone := range w.Zones {
		k.name(element("zones", i), zone)
	}
	if len(w.Zones) == 0 {
		w.Zones = nil
	}
}

func (w *Webhook) checkBody(k checker) {
	switch {
	case w.Method == "GET":
		if w.Body != "" {
			k.refuse("body", quote(w.Body), `none beside method = "GET"`)
		}
		if w.ContentType != "" {
			k.refuse("content_type", quote(w.ContentType), `none beside method = "GET", which sends no body`)
		}
		return
	case w.ContentType == "" && w.Body == "":
		w.ContentType = body.Structured
	case w.ContentType == "":
		w.ContentType = "application/json"
	case !headerValue(w.ContentType):
		k.refuse("content_type", quote(w.ContentType), `a type such as "application/json" or "text/plain; charset=utf-8"`)
		return
	}
	const form = "one that makes a body of every event"
	t, err := w.Template()
	if err == nil {
		kinds := slices.DeleteFunc(slices.Clone(w.Events), func(kind string) bool { return !body.Known(kind) })
		_, err = t.Try(kinds)
	}
	if err != nil {
		hint := ""
		if strings.Contains(err.Error(), "not JSON") {
			hint = `write {{json .Title}} instead of "{{.Title}}", or say what else it is with content_type`
		}
		k.doc.RefuseHint(k.at("body"), "a template that fails, "+err.Error(), form, hint)
	}
}
