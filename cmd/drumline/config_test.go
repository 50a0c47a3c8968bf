package main

import (
	"net"
	"net/netip"
	"reflect"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api"
)

func TestConfigDefaultsWork(t *testing.T) {
	c, err := readConfig(func(string) string { return "" })
	require.NoError(t, err)
	require.Equal(t, "127.0.0.1:8080", c.Listen)
	require.Equal(t, 10*time.Minute, c.AccessLife)
	require.Equal(t, int32(16), c.PoolSize)
}

func TestEveryFieldOfConfigIsReadAndPrinted(t *testing.T) {
	said := Config{}.String()
	fields := reflect.TypeFor[Config]()
	for i := range fields.NumField() {
		name := fields.Field(i).Tag.Get("env")
		require.Contains(t, environment, name)
		require.Contains(t, said, strings.ToLower(strings.TrimPrefix(name, "DRUMLINE_"))+"=")
	}
	require.Len(t, environment, fields.NumField())
}

func TestConfigHidesSecrets(t *testing.T) {
	for _, url := range []string{"postgres://app:geheim@db/x", "postgres://db/x?user=app&password=geheim", "host=db password=geheim", "postgres://app:geheim@db:port/x"} {
		require.NotContains(t, Config{DatabaseURL: url, MigratorURL: url, WorkerURL: url, MailServer: url}.String(), "geheim", url)
	}
}

func TestConfigRefusesAndNamesTheVariable(t *testing.T) {
	for name, value := range map[string]string{"DRUMLINE_ACCESS_LIFE": "3s", "DRUMLINE_POOL_SIZE": "0", "DRUMLINE_DRAIN_TIME": "-1s",
		"DRUMLINE_LIMIT_PERSON": "-1", "DRUMLINE_OPEN_REQUESTS": "1000001"} {
		_, err := readConfig(func(n string) string {
			if n == name {
				return value
			}
			return ""
		})
		require.ErrorContains(t, err, name)
	}
	_, err := readConfig(func(n string) string { return map[string]string{"DRUMLINE_LOG_LEVEL": "loud"}[n] })
	require.ErrorContains(t, err, "LogLevel")
}

func TestConfigReadsLimits(t *testing.T) {
	given := map[string]string{"DRUMLINE_POOL_SIZE": "9", "DRUMLINE_LIMIT_SHOP": "7", "DRUMLINE_TRUSTED_PROXIES": "10.0.0.0/8,::1/128"}
	c, err := readConfig(func(n string) string { return given[n] })
	require.NoError(t, err)
	require.Equal(t, api.LimitSettings{Person: 600, Shop: 7, Address: 240, AtOnce: 4, Open: 1024}, c.limits(), "half of the pool at work")
	require.Equal(t, []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("::1/128")}, c.TrustedProxies)
	given["DRUMLINE_TRUSTED_PROXIES"] = "10.0.0.0"
	_, err = readConfig(func(n string) string { return given[n] })
	require.ErrorContains(t, err, "TrustedProxies")
}

func TestPasswordComesFromStandardInput(t *testing.T) {
	nothing := func(string) string { return "" }
	got, err := readPassword(&program{getenv: nothing, stdin: strings.NewReader("correct horse\nmore")})
	require.NoError(t, err)
	require.Equal(t, "correct horse", got)
	_, err = readPassword(&program{getenv: nothing, stdin: strings.NewReader("")})
	require.ErrorContains(t, err, passwordVariable)
}

func TestVersionSaysWhatTheBuildKnows(t *testing.T) {
	b := &debug.BuildInfo{GoVersion: "go1.26"}
	require.Equal(t, "development (go1.26)", versionOf(b))
	b.Settings = []debug.BuildSetting{{Key: "vcs.revision", Value: "0123456789abcdef"}, {Key: "vcs.modified", Value: "true"}}
	require.Equal(t, "development 0123456789ab with changes (go1.26)", versionOf(b))
	b.Main.Version = "v1.2.3"
	require.Equal(t, "v1.2.3 (go1.26)", versionOf(b))
	out, err := toEnd(t, settings(), "version")
	require.NoError(t, err)
	require.Regexp(t, `^drumline .+, engine .+, schema \d+\n$`, out)
}

func TestHelpIsNoError(t *testing.T) {
	out, err := toEnd(t, settings(), "--help")
	require.NoError(t, err)
	for _, command := range []string{"demo", "serve", "migrate up", "migrate version", "migrate check", "shop create", "version"} {
		require.Contains(t, out, command)
	}
	_, err = toEnd(t, settings(), "sing")
	require.ErrorContains(t, err, "see drumline --help")
}

func TestDemoWarnsOfStrangers(t *testing.T) {
	for address, warned := range map[string]bool{"127.0.0.1:0": false, "0.0.0.0:0": true} {
		l, err := net.Listen("tcp", address)
		require.NoError(t, err)
		var errs output
		demoCommand{}.warn(&program{stderr: &errs}, l)
		require.Equal(t, warned, strings.Contains(errs.String(), "WARNING"), address)
		require.NoError(t, l.Close())
	}
}

func TestProgressSpeaksInTenths(t *testing.T) {
	var out output
	p := newProgress(&out, "Filling")
	for i := range 40 {
		p.set(i+1, 40)
	}
	p.finish()
	require.Equal(t, 12, strings.Count(out.String(), "\n"), out.String())
	require.Contains(t, out.String(), "Filling: done in")
}
