"""Cases, casts, small assessments and studies that tests build on."""
