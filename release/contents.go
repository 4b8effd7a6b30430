package main

import (
	"bytes"
	"cmp"
	"debug/buildinfo"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// file is one of a package, by the path in archives.
type file struct {
	path string
	text []byte
	mode os.FileMode
}

// versionOf reads the version that Go recorded in a program.
func versionOf(program string) (string, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return "", err
	}
	v := strings.TrimPrefix(info.Main.Version, "v")
	if v == "" || v == "(devel)" || strings.Contains(v, "dirty") {
		return "", fmt.Errorf("the build recorded no version of a commit but %q", info.Main.Version)
	}
	return v, nil
}

// common is what every package holds beside the programs.
func (m *maker) common(chosen []target) (files []file, err error) {
	for _, name := range []string{"README.md", "LICENSE", "CHANGELOG.md"} {
		text, err := os.ReadFile(filepath.Join(m.src, name))
		if err != nil {
			return nil, err
		}
		files = append(files, file{name, text, 0o644})
	}
	pages, err := filepath.Glob(filepath.Join(m.src, "docs", "*.md"))
	if err != nil {
		return nil, err
	}
	for _, p := range pages {
		text, err := os.ReadFile(p)
		if err != nil {
			return nil, err
		}
		files = append(files, file{path.Join("docs", filepath.Base(p)), text, 0o644})
	}
	for _, name := range []string{"capd", "capctl"} {
		program, err := m.host(chosen, name)
		if err != nil {
			return nil, err
		}
		for form, at := range map[string]string{
			"man": "man/" + name + ".1", "bash": "completions/" + name + ".bash", "zsh": "completions/_" + name,
			"fish": "completions/" + name + ".fish", "powershell": "completions/" + name + ".ps1",
		} {
			text, err := m.say(m.tmp, program, "--generate", form)
			if err != nil {
				return nil, err
			}
			files = append(files, file{at, []byte(text + "\n"), 0o644})
		}
	}
	deps, err := m.dependencies(chosen)
	if err != nil {
		return nil, err
	}
	licences, err := m.licences(deps)
	if err != nil {
		return nil, err
	}
	files = append(files, licences...)
	bill, err := m.bill(deps)
	if err != nil {
		return nil, err
	}
	files = append(files, file{"sbom.cdx.json", bill, 0o644})
	slices.SortFunc(files, func(a, b file) int { return cmp.Compare(a.path, b.path) })
	return files, os.WriteFile(filepath.Join(m.out, fmt.Sprintf("%s-%s.cdx.json", product, m.version)), bill, 0o644)
}

// dependency is a module that a program holds.
type dependency struct{ path, version string }

// dependencies are the modules in all programs, by what the builds recorded.
func (m *maker) dependencies(chosen []target) ([]dependency, error) {
	seen := map[dependency]bool{}
	for _, t := range chosen {
		for _, name := range []string{"capd", "capctl"} {
			info, err := buildinfo.ReadFile(m.program(t, name))
			if err != nil {
				return nil, err
			}
			seen[dependency{"std", info.GoVersion}] = true
			for _, d := range info.Deps {
				if d.Replace != nil {
					d = d.Replace
				}
				seen[dependency{d.Path, d.Version}] = true
			}
		}
	}
	return slices.SortedFunc(maps.Keys(seen), func(a, b dependency) int {
		return cmp.Or(cmp.Compare(a.path, b.path), cmp.Compare(a.version, b.version))
	}), nil
}

// licences are the texts that come with each module: what is named LICENSE, COPYING, NOTICE
// or the like. A module without any is an error.
func (m *maker) licences(deps []dependency) (files []file, err error) {
	for _, d := range deps {
		dir, err := m.say(m.src, "go", "env", "GOROOT")
		if d.path != "std" && err == nil {
			dir, err = m.say(m.src, "go", "list", "-m", "-f", "{{.Dir}}", d.path)
		}
		if err != nil {
			return nil, err
		}
		names, err := os.ReadDir(dir)
		if err != nil {
			return nil, err
		}
		before := len(files)
		for _, n := range names {
			upper := strings.ToUpper(n.Name())
			is := func(s string) bool { return strings.HasPrefix(upper, s) }
			if n.IsDir() || strings.HasSuffix(upper, ".GO") || !(is("LICENSE") || is("LICENCE") || is("COPYING") || is("NOTICE") || is("UNLICENSE")) {
				continue
			}
			text, err := os.ReadFile(filepath.Join(dir, n.Name()))
			if err != nil {
				return nil, err
			}
			files = append(files, file{path.Join("licences", d.path, n.Name()), text, 0o644})
		}
		if len(files) == before {
			return nil, fmt.Errorf("%s %s comes without a licence", d.path, d.version)
		}
	}
	return files, nil
}

// bill is the bill of materials in CycloneDX 1.6 (ECMA-424), with package URLs of type golang.
func (m *maker) bill(deps []dependency) ([]byte, error) {
	type component struct {
		Type    string `json:"type"`
		Ref     string `json:"bom-ref"`
		Name    string `json:"name"`
		Version string `json:"version"`
		PURL    string `json:"purl,omitempty"`
	}
	of := func(d dependency) component {
		purl := "pkg:golang/" + d.path + "@" + strings.ReplaceAll(d.version, "+", "%2B")
		return component{"library", purl, d.path, d.version, purl}
	}
	list := []component{}
	for _, d := range deps {
		list = append(list, of(d))
	}
	text, err := json.MarshalIndent(map[string]any{
		"$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json", "bomFormat": "CycloneDX", "specVersion": "1.6", "version": 1,
		"metadata": map[string]any{
			"timestamp": m.time.Format("2006-01-02T15:04:05Z"),
			"component": component{"application", product, product, m.version, ""},
		},
		"components": list,
	}, "", "  ")
	return append(text, '\n'), err
}

// resources gives the Windows programs an icon, a version and a manifest.
func (m *maker) resources() error {
	icon := filepath.Join(m.tmp, "icon.png")
	var b bytes.Buffer
	if err := png.Encode(&b, picture(256)); err != nil {
		return err
	}
	if err := os.WriteFile(icon, b.Bytes(), 0o644); err != nil {
		return err
	}
	version, err := m.say(m.src, "git", "describe", "--tags", "--always", "--match", "v*")
	if err != nil {
		return err
	}
	for name, about := range map[string]string{"capd": "Watches a bench: tags, checks and alerts on each new log", "capctl": "Plans, queries, compares and reports passes"} {
		folder := filepath.Join(m.src, "cmd", name)
		err := m.tool(folder, "go-winres", "simply", "--arch", "amd64", "--out", filepath.Join(folder, "rsrc"), "--manifest", "cli", "--icon", icon,
			"--product-name", product, "--product-version", version, "--file-version", numbers(version), "--file-description", about, "--original-filename", name+".exe")
		if err != nil {
			return err
		}
		if there, _ := filepath.Glob(filepath.Join(folder, "rsrc_windows_amd64.syso")); len(there) != 1 {
			return errors.New("go-winres made no resources")
		}
	}
	return nil
}

// numbers is the version of a file as Windows wants it.
func numbers(version string) string {
	v, _, _ := strings.Cut(strings.TrimPrefix(version, "v"), "-")
	if strings.Count(v, ".") != 2 {
		return "0.0.0.0"
	}
	return v + ".0"
}

// picture is the programs' icon: frame times with one hitch.
func picture(size int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, size, size))
	bars := []int{7, 6, 8, 7, 15, 6, 7, 8}
	wide := size / len(bars)
	for i, h := range bars {
		c := color.RGBA{0x2b, 0x6c, 0xb0, 0xff}
		if h > 10 {
			c = color.RGBA{0xc0, 0x56, 0x21, 0xff}
		}
		for x := i*wide + wide/6; x < (i+1)*wide-wide/6; x++ {
			for y := size - size*h/16; y < size; y++ {
				img.SetRGBA(x, y, c)
			}
		}
	}
	return img
}
