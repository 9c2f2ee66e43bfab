#!/bin/bash
# Build kernel + tiny initramfs + ext4 root image for the BlueZ guest.  Run as root.
# usage: build.sh OUTDIR        (needs: qemu-system-x86 mmdebstrap busybox-static e2fsprogs cpio gzip)
set -euo pipefail
OUT=${1:?outdir}; HERE=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$OUT"; OUT=$(cd "$OUT" && pwd); W=$OUT/work; rm -rf "$W"; mkdir -p "$W"

# 1. userland (no kernel, no systemd, no apt): ~20 s
mmdebstrap --quiet --variant=essential --components=main \
  --include=bluez,dbus,python3,kmod,busybox-static,libstdc++6${EXTRA_PKGS:+,$EXTRA_PKGS} \
  --dpkgopt='path-exclude=/usr/share/doc/*' --dpkgopt='path-exclude=/usr/share/man/*' \
  --dpkgopt='path-exclude=/usr/share/locale/*' --dpkgopt='path-exclude=/usr/share/i18n/*' \
  bookworm "$W/root"

# 2. kernel: take the .deb apart instead of installing it (no update-initramfs)
KPKG=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image/{print $2; exit}')
(cd "$W" && apt-get -qq -o APT::Sandbox::User=root download "$KPKG" && dpkg-deb -x "$KPKG"_*.deb kernel)
K=$(ls "$W/kernel/lib/modules"); cp "$W/kernel/boot/vmlinuz-$K" "$OUT/vmlinuz"
depmod -b "$W/kernel" "$K"

# modules: closure of what the guest needs
mods() { for m in "$@"; do modprobe -d "$W/kernel" -S "$K" --show-depends "$m"; done | awk '/^insmod/{print $2}' | awk '!s[$0]++'; }
BOOT="virtio_pci virtio_blk virtio_console ext4 crc32c_generic 9p 9pnet_virtio virtio_rng"
# bluetooth + the crypto it asks for through request_module() + AF_ALG (bluetoothd) + uhid (HID over GATT plugin)
ROOT="rfkill bluetooth hci_vhci uhid ecb cmac ecdh_generic algif_skcipher algif_hash ccm aes_generic sha256_generic drbg hmac ctr sha512_generic jitterentropy_rng"
R=$W/root/lib/modules/$K; mkdir -p "$R"; cp "$W/kernel/lib/modules/$K"/modules.{order,builtin,builtin.modinfo} "$R"/
for f in $(mods $BOOT $ROOT); do d=${f#"$W/kernel"}; mkdir -p "$W/root$(dirname "$d")"; cp "$f" "$W/root$d"; done
depmod -b "$W/root" "$K"

# 3. initramfs: busybox + boot modules, in load order
I=$W/initrd; mkdir -p "$I"/{bin,mod,newroot,dev,proc,sys}; cp /bin/busybox "$I/bin/busybox"
n=100; for f in $(mods $BOOT); do n=$((n+1)); cp "$f" "$I/mod/$n-$(basename "$f")"; done
cat > "$I/init" <<'EOI'
#!/bin/busybox sh
bb=/bin/busybox
$bb mount -t devtmpfs dev /dev; $bb mount -t proc proc /proc; $bb mount -t sysfs sys /sys
for m in /mod/*; do $bb insmod $m || echo "insmod $m failed"; done
i=0; while [ ! -b /dev/vda ] && [ $i -lt 50 ]; do $bb sleep 0.1; i=$((i+1)); done
$bb mount -t ext4 -o rw,noatime /dev/vda /newroot || { echo "no root"; $bb poweroff -f; }
for d in dev proc sys; do $bb mount --move /$d /newroot/$d; done
exec $bb switch_root /newroot /sbin/guest-init
EOI
chmod +x "$I/init"; (cd "$I" && find . | cpio --quiet -o -H newc | gzip -1) > "$OUT/initrd.gz"

# 4. root image (no loop mount needed)
rm -rf "$W/root"/{boot,var/cache/apt,var/lib/apt/lists,usr/share/{doc,man,locale}}/* 
install -m755 "$HERE/guest/stub.sh" "$W/root/sbin/guest-init"; mkdir -p "$W/root/mnt/share" "$W/root/mnt/site"
rm -f "$OUT/root.img"; mke2fs -q -t ext4 -O ^has_journal -m 0 -L guest -d "$W/root" "$OUT/root.img" "${IMG_SIZE:-320M}"
[ -n "${KEEP:-}" ] || rm -rf "$W"
ls -lh "$OUT"; du -h "$OUT"/root.img
