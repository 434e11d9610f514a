"""The season's records: crosses, wells, markers and corrections, read and checked against each other."""
