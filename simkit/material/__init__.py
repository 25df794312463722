"""Sheet grades and their elastoplastic laws."""
