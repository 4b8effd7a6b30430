package cardusers

import (
	"slices"

	"capd.example/record"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/process"
	"capd.example/sysinfo/winsys"
)

// Open opens what tells who uses the graphics cards; nil where there is none.
func Open(windows winsys.Asker, cards *graphics.Finder, table *process.Table) *Table {
	t := newCardTable(table.NameOf)
	if windows != nil {
		openWindowsCardUse(windows, cards.LUIDs(), t)
	} else {
		openTreeCardUse(t, cards, table)
	}
	if len(t.readers) == 0 && len(t.gaps) == 0 {
		return nil
	}
	return t
}

func openTreeCardUse(t *Table, cards *graphics.Finder, table *process.Table) {
	list, _ := cards.All()
	lib, _ := cards.NVML()
	var drm []drmCard
	for i, c := range list {
		switch {
		case c.NV != nil:
			t.use(newNVMLReader(lib, i, c.NV.Index), nvmlEvery)
		case slices.Contains([]string{"amdgpu", "i915", "xe"}, c.Driver):
			drm = append(drm, drmCard{i, c.Address})
		default:
			t.silent(i, record.Unsupported, "the driver "+c.Driver+" does not tell who uses the card")
		}
	}
	files, known := table.OpenFiles()
	if len(drm) > 0 && known {
		t.use(newDRMUse(files, drm, table), drmEvery)
	}
}
