// Hourly thinning inside the server, instead of `baulk store thin`: of each hour of sensor readings older than a year
// the median reading, an actual one, goes to the bucket that never forgets; the bucket's own retention (a few
// days more than the year) drops the rest. It has not run on a real server yet: try it on a copy.
import "influxdata/influxdb"

option task = {name: "baulk-hourly", cron: "30 2 * * *"}

from(bucket: "baulk")
    |> range(start: -367d, stop: -365d)
    |> filter(fn: (r) => r._measurement == "reading" and r.kept == "as-taken")
    |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")
    |> window(every: 1h)
    |> median(column: "value", method: "exact_selector")
    |> drop(columns: ["_start", "_stop"])
    |> map(fn: (r) => ({r with kept: "hourly", flags: if r.flags == "" then "thinned" else r.flags + ",thinned"}))
    |> influxdb.wideTo(bucket: "baulk-kept")
