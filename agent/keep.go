package agent

import (
	"context"
	"crypto/sha256"
	"encoding/hex"

	"capd.example/config"
	"capd.example/framelog"
	"capd.example/pipeline"
	"capd.example/record"
)

// keepMost is the largest log that is kept: it is held in memory whole on its way into
// the store.
const keepMost = 512 << 20

// reader reads logs as the configuration says.
func reader(c config.Config) pipeline.Reader {
	if c.Store.KeepLog {
		return keepingReader{logReader{readerOptions(c)}}
	}
	return logReader{readerOptions(c)}
}

// keepingReader adds the log's own bytes to what was read of it.
type keepingReader struct{ pipeline.Reader }

func (r keepingReader) ReadLog(ctx context.Context, path string) (record.Reading, pipeline.File, error) {
	reading, f, err := r.Reader.ReadLog(ctx, path)
	if err != nil {
		return reading, f, err
	}
	why := ""
	if f.Size > keepMost {
		why = "it is larger than 512 MiB"
	} else if data, err := framelog.Bytes(path, framelog.Options{NoLink: true}); framelog.OfTheMoment(err) {
		return reading, f, err // it is tried again
	} else if err != nil {
		why = err.Error()
	} else if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != f.SHA256 {
		why = "it was changed after it was read"
	} else {
		f.Bytes = data
	}
	if why != "" {
		reading.Remarks = append(reading.Remarks, record.Remark{Kind: record.RemarkNotKept,
			Text: "the log was not kept in the store: " + why})
	}
	return reading, f, nil
}
