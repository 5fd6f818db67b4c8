"""The application: trip folder, route, clock, forecast, margins, report."""
