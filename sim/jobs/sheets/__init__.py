"""Design sheets (row 4): what lever, contacts and power will do, worked out before anything is built."""
