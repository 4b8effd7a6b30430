-- A log is followed under another name by what its file system calls it.
CREATE INDEX files_file_id ON files (file_id) WHERE file_id <> '' AND sha256 <> '';
