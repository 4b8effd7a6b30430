package report

import (
	"os"

	"capd.example/internal/folder"
)

// DescribedBefore returns the description of an earlier report in a folder, if there is one.
func DescribedBefore(dir string) []byte {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil
	}
	defer root.Close()
	if info, err := root.Lstat(Description); err != nil || !info.Mode().IsRegular() {
		return nil
	}
	text, _ := root.ReadFile(Description) // what cannot be read is not replaced
	return text
}

// ClearDrawn removes the charts of the earlier report in this folder that the new one does not
// have: as that report listed them, and only such as are still what it wrote.
func ClearDrawn(dir string, before []Drawn, written map[string]bool, notice func(format string, args ...any)) {
	sums := map[string]string{}
	for _, f := range before {
		sums[f.Path] = f.SHA256
	}
	folder.Clear(dir, sums, written, "report", notice)
}

// WriteInto writes the report into a folder, in place of an earlier one, and returns the number
// of files and of bytes. What is left of the earlier one and was changed since is told.
func (r *Report) WriteInto(dir string, notice func(format string, args ...any)) (files, size int, err error) {
	before := DescribedBefore(dir)
	ours := WrittenBefore(before)
	to, err := folder.Open(dir, func(path string) bool { return ours[path] })
	if err != nil {
		return 0, 0, err
	}
	defer to.Close()
	written := map[string]bool{}
	err = r.Files(func(path string, data []byte) error {
		written[path] = true
		size += len(data)
		return to.Put(path, data)
	})
	if err == nil {
		err = to.Commit(Description) // which says what is ours, should the rest not come about
	}
	if err == nil {
		ClearDrawn(dir, DrawnBefore(before), written, notice)
	}
	return len(written), size, err
}
