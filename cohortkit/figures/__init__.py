"""Results to pictures. The only room that knows matplotlib and seaborn."""
