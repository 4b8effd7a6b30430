// Package firmware reads the tables that firmware and monitors carry: SMBIOS and the
// identification data of a monitor. It takes bytes and returns values; serial numbers are
// not read.
package firmware
