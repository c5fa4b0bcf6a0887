"""What runs in the office: ingest, detectors, diagnosis, records, API and page."""
