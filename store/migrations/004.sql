-- What grouping over all passes needs, served by the index passes_cell alone.
CREATE VIEW figures AS SELECT cell, verdict, at, avg_fps, low1_fps FROM pass_rows;
