# Reads an exported folder as a user of pandas would and says, as JSON, what came through.
# Floating-point numbers are told in hexadecimal, so that nothing is lost on the way back.
import json, pathlib, sys, urllib.parse
import pandas as pd

root, form = pathlib.Path(sys.argv[1]), sys.argv[2]


def partition(folder):
    name, value = folder.split("=", 1)
    return name, "" if value == "__HIVE_DEFAULT_PARTITION__" else urllib.parse.unquote(value)


def table(name, numbers):
    parts = []
    for file in sorted((root / name).rglob("*." + form)):
        if form == "csv":
            part = pd.read_csv(file, float_precision="round_trip", keep_default_na=False, na_values={n: [""] for n in numbers})
        else:
            part = pd.read_json(file, lines=True, precise_float=True, dtype=False, convert_dates=False)
        for folder in file.relative_to(root).parts[1:-1]:
            key, value = partition(folder)
            part[key] = value
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def told(x):
    return None if pd.isna(x) else float(x).hex()


passes = table("passes", ["duration_s", "avg_fps", "p99_ms", "low1_fps"]).set_index("id")
frames = table("frames", ["ms"]).sort_values(["pass", "n"]).groupby("pass")["ms"]
samples = table("telemetry", ["value"]).sort_values(["pass", "n"]).groupby("pass")["value"]

out = {}
for id, p in passes.iterrows():
    ms = frames.get_group(id)
    longest = ms.nlargest(-(-len(ms) // 100))
    out[id] = {
        "game": p["game"], "campaign": p["campaign"], "started_at": p["started_at"], "frames": int(p["frames"]),
        "scene": p["scene"],
        "stored": {n: told(p[n]) for n in ["duration_s", "avg_fps", "p99_ms", "low1_fps"]},
        "computed": {
            "duration_s": told(ms.sum() / 1000), "avg_fps": told(1000 * len(ms) / ms.sum()),
            "p99_ms": told(ms.quantile(0.99)), "low1_fps": told(1000 * len(longest) / longest.sum()),
        },
        "ms": [told(x) for x in ms], "samples": [told(x) for x in samples.get_group(id)],
    }
json.dump(out, sys.stdout)
