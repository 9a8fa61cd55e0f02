"""Our step kinds, one file each: harness/describe/sequence/steps.py says what such a file has, and finds them."""
