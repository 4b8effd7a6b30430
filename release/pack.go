package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// pack writes the packages of one target.
func (m *maker) pack(t target, common []file) error {
	files := append([]file{}, common...)
	for _, name := range []string{"capd", "capctl"} {
		program := m.program(t, name)
		text, err := os.ReadFile(program)
		if err != nil {
			return err
		}
		files = append(files, file{filepath.Base(program), text, 0o755})
	}
	name := fmt.Sprintf("%s-%s-%s", product, m.version, t)
	if t.system == "windows" {
		return m.zip(name, files)
	}
	if err := m.tarball(name, files); err != nil {
		return err
	}
	for _, format := range []string{"deb", "rpm"} {
		if err := m.linuxPackage(t, format, common); err != nil {
			return err
		}
	}
	return nil
}

func (m *maker) zip(name string, files []file) error {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, f := range files {
		h := &zip.FileHeader{Name: path.Join(name, f.path), Method: zip.Deflate, Modified: m.time}
		h.SetMode(f.mode)
		w, err := z.CreateHeader(h)
		if err != nil {
			return err
		}
		if _, err := w.Write(f.text); err != nil {
			return err
		}
	}
	if err := z.Close(); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(m.out, name+".zip"), b.Bytes(), 0o644)
}

func (m *maker) tarball(name string, files []file) error {
	var b bytes.Buffer
	packed, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return err
	}
	t := tar.NewWriter(packed)
	for _, f := range files {
		h := &tar.Header{Name: path.Join(name, f.path), Mode: int64(f.mode), Size: int64(len(f.text)), ModTime: m.time, Typeflag: tar.TypeReg, Format: tar.FormatPAX}
		if err := t.WriteHeader(h); err != nil {
			return err
		}
		if _, err := t.Write(f.text); err != nil {
			return err
		}
	}
	if err := t.Close(); err != nil {
		return err
	}
	if err := packed.Close(); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(m.out, name+".tar.gz"), b.Bytes(), 0o644)
}

// places says where files of the archives belong in a Linux package; what is not named lies
// in the folder of documents.
func places(format string) map[string]string {
	zsh := map[string]string{"deb": "/usr/share/zsh/vendor-completions/", "rpm": "/usr/share/zsh/site-functions/"}[format]
	out := map[string]string{"LICENSE": "/usr/share/doc/capd/copyright", "CHANGELOG.md": "/usr/share/doc/capd/changelog.gz"}
	for _, name := range []string{"capd", "capctl"} {
		out["man/"+name+".1"] = "/usr/share/man/man1/" + name + ".1.gz"
		out["completions/"+name+".bash"] = "/usr/share/bash-completion/completions/" + name
		out["completions/_"+name] = zsh + "_" + name
		out["completions/"+name+".fish"] = "/usr/share/fish/vendor_completions.d/" + name + ".fish"
		out["completions/"+name+".ps1"] = ""
	}
	return out
}

// linuxPackage writes a deb or rpm. It starts nothing and enables nothing for anybody:
// `capd install` does that for one user.
func (m *maker) linuxPackage(t target, format string, common []file) error {
	type info struct {
		Mode  int    `json:"mode"`
		MTime string `json:"mtime"`
	}
	type content struct {
		Src  string `json:"src"`
		Dst  string `json:"dst"`
		Info info   `json:"file_info"`
	}
	stage := filepath.Join(m.tmp, "stage", t.String(), format)
	var contents []content
	add := func(dst string, text []byte, mode os.FileMode) error {
		src := filepath.Join(stage, fmt.Sprint(len(contents)))
		if err := os.MkdirAll(stage, 0o755); err != nil {
			return err
		}
		if strings.HasSuffix(dst, ".gz") {
			var err error
			if text, err = squeezed(text); err != nil {
				return err
			}
		}
		contents = append(contents, content{src, dst, info{int(mode), m.time.Format("2006-01-02T15:04:05Z")}})
		return os.WriteFile(src, text, mode)
	}
	where := places(format)
	for _, f := range common {
		dst, named := where[f.path]
		if !named {
			dst = "/usr/share/doc/capd/" + f.path
		}
		text := f.text
		if f.path == "LICENSE" {
			text = append([]byte("capd and capctl. The licences of what they are built from lie in the folder licences.\n\n"), text...)
		}
		if dst == "" {
			continue
		}
		if err := add(dst, text, 0o644); err != nil {
			return err
		}
	}
	for _, name := range []string{"capd", "capctl"} {
		text, err := os.ReadFile(m.program(t, name))
		if err != nil {
			return err
		}
		if err := add("/usr/bin/"+name, text, 0o755); err != nil {
			return err
		}
	}
	version := strings.Replace(m.version, "-", "~", 1)
	version = strings.ReplaceAll(version, "-", ".")
	config, err := json.MarshalIndent(map[string]any{ // YAML holds JSON
		"name": product, "arch": t.arch, "platform": t.system, "version": version, "version_schema": "none", "mtime": m.time.Format("2006-01-02T15:04:05Z"),
		"section": "utils", "priority": "optional", "maintainer": "capd developers <capd@capd.example>", "license": "MIT",
		"description": "checks frame-time logs of a game test bench as they are written\nThe agent capd watches a folder for frame-time logs, tags each with the\nconfiguration of the bench, checks it and alerts on a bad pass. capctl plans\nthe matrix, queries the passes, compares cells and writes reports.",
		"contents":    contents, "rpm": map[string]any{"buildhost": "localhost", "group": "Applications/Engineering"},
	}, "", " ")
	if err != nil {
		return err
	}
	at := filepath.Join(stage, "nfpm.yaml")
	if err := os.WriteFile(at, config, 0o644); err != nil {
		return err
	}
	return m.tool(m.src, "nfpm", "package", "--config", at, "--packager", format, "--target", filepath.Join(m.out, fmt.Sprintf("%s-%s-%s.%s", product, m.version, t, format)))
}

// squeezed is the text as gzip -9n has it.
func squeezed(text []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(text); err != nil {
		return nil, err
	}
	err = z.Close()
	return b.Bytes(), err
}
