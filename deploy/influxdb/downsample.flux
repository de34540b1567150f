// Hourly thinning inside the server, instead of `baulk store thin`: of each hour of sensor readings older than a year
// the median reading, an actual one, goes to the bucket that never forgets, and is marked "thinned" if it stands for
// others. The bucket's own retention drops the rest: give it 380 days, since a week of nights may fail before then.
import "date"
import "influxdata/influxdb"
import "strings"

option task = {name: "baulk-hourly", cron: "30 2 * * *"}

// Whole days: a span that begins at the time of the run would cut the hour of the run in two.
hours =
    from(bucket: "baulk")
        |> range(start: date.truncate(t: -372d, unit: 1d), stop: date.truncate(t: -365d, unit: 1d))
        |> filter(fn: (r) => r._measurement == "reading" and r.kept == "as-taken")
        |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")
        // median looks at _value, whatever column it is given
        |> rename(columns: {value: "_value"})
        |> window(every: 1h)

same = ["_start", "_stop", "_measurement", "owner", "named", "quantity", "depth", "face", "kept"]

middle = hours |> median(method: "exact_selector") |> rename(columns: {_value: "value"})

counted = hours |> count() |> rename(columns: {_value: "n"})

join(tables: {middle: middle, counted: counted}, on: same)
    |> map(
        fn: (r) =>
            ({r with kept: "hourly",
                flags:
                    if r.n == 1 or strings.containsStr(v: r.flags, substr: "thinned") then
                        r.flags
                    else if r.flags == "" then
                        "thinned"
                    else
                        r.flags + ",thinned",
            }),
    )
    |> drop(columns: ["_start", "_stop", "n"])
    |> influxdb.wideTo(bucket: "baulk-kept")
