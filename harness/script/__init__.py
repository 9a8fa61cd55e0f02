"""What a program does with Wakeboard; `import wakeboard as wb` gives these names (harness/door)."""
