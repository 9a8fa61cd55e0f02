"""What a step is given to work with: time, power, the drawing, the meter on its points, and where its readings go."""
