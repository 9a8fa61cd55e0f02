"""The drawings of a page as SVG."""
