"""Real processes on real sockets: what the benchmarks over the wire start, send and count."""
