"""What people look at, as files a designer can open."""
