"""What gates go by: each module watches one thing (temperature, star, night) and says how it stands."""
