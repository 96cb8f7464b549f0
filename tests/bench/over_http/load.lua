-- wrk sends one body again and again. WRK_BODY names its file; with WRK_RATE (calls a second) they begin at random
-- moments (exponential gaps) at that rate, as far as the connections are free. The last line is the result as JSON.
local file = assert(io.open(os.getenv("WRK_BODY"), "rb"))
wrk.method, wrk.body = "POST", file:read("*a")
wrk.headers["Content-Type"] = "application/json"
file:close()

local rate = tonumber(os.getenv("WRK_RATE") or "")
if rate then
  local ffi = require("ffi")
  ffi.cdef("typedef struct { long s; long us; } moment; int gettimeofday(moment *now, void *zone);")
  local now, next_at = ffi.new("moment[1]"), nil
  function delay()
    ffi.C.gettimeofday(now, nil)
    local ms = tonumber(now[0].s) * 1000 + tonumber(now[0].us) / 1000
    next_at = (next_at or ms) - math.log(1 - math.random()) * 1000 / rate
    return math.max(0, next_at - ms)
  end
end

function done(summary, latency, requests)
  local errors = summary.errors
  print(string.format(
    '{"calls": %d, "seconds": %.6f, "refused": %d, "lost": %d, "p50": %.3f, "p95": %.3f, "p99": %.3f}',
    summary.requests, summary.duration / 1e6, errors.status,
    errors.connect + errors.read + errors.write + errors.timeout,
    latency:percentile(50) / 1000, latency:percentile(95) / 1000, latency:percentile(99) / 1000))
end
