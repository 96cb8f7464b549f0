"""The application put together: settings in, a running service out."""
