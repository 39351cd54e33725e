"""What several tests share: small jobs, failing disks."""
