"""What all pipelines share: how they are asked, what they may write, what they answer."""
