"""Logs without patient data, Prometheus metrics, OpenTelemetry traces."""
