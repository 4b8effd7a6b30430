#!/usr/bin/env bash
# Records what sysinfo reads of a Linux machine as a text archive, for a test's fixture:
#   scripts/record-machine.sh OUT.txtar ["comment for its head"]
# Serial numbers, addresses of network cards, host and user names are left out: only
# the files below are read, and lines that carry such things are dropped.
set -u
out=${1:?usage: record-machine.sh OUT.txtar [COMMENT]}
printf '%s\n' "${2:-A machine as it was found, recorded by scripts/record-machine.sh.}" > "$out"

# put FILE: one member of the archive; a binary file as base64 under NAME.base64.
put() {
  local file=$1 text
  [ -f "$file" ] && [ -r "$file" ] || return 0
  case $file in
  */gpu_metrics)
    text=$(base64 -w 0 "$file" 2>/dev/null) || return 0
    file=$file.base64 ;;
  /proc/stat) text=$(grep -E '^(cpu|ctxt|btime|procs)' "$file") ;;
  /proc/sys/kernel/random/boot_id) text=00000000-0000-0000-0000-000000000000 ;;
  *'+dmi:id') text=$(grep -E '^E:MEMORY_' "$file" | grep -vE 'SERIAL|ASSET') ;;
  *) text=$(timeout 2 cat "$file" 2>/dev/null) || return 0 ;;
  esac
  printf -- '-- %s --\n%s\n' "${file#/}" "$text" >> "$out"
}

for f in /proc/cpuinfo /proc/stat /proc/meminfo /proc/vmstat /proc/diskstats /proc/net/dev \
  /proc/pressure/cpu /proc/pressure/memory /proc/pressure/io /proc/sys/kernel/osrelease \
  /proc/sys/kernel/random/boot_id /proc/driver/nvidia/version /etc/os-release \
  /run/udev/data/+dmi:id /sys/firmware/acpi/platform_profile /sys/kernel/mm/transparent_hugepage/enabled \
  /sys/class/dmi/id/{board_name,board_vendor,bios_version,bios_date} \
  /sys/devices/cpu_{core,atom}/cpus \
  /sys/devices/system/cpu/{online,present,smt/control,intel_pstate/no_turbo,cpufreq/boost,amd_pstate/status} \
  /sys/devices/system/cpu/cpu0/cache/index3/size \
  /sys/devices/system/cpu/cpu[0-9]*/topology/{physical_package_id,die_id,core_id} \
  /sys/devices/system/cpu/cpu[0-9]*/thermal_throttle/{core,package}_throttle_count \
  /sys/devices/system/cpu/cpu[0-9]*/cpufreq/scaling_cur_freq \
  /sys/devices/system/cpu/cpufreq/policy*/{scaling_driver,scaling_governor,energy_performance_preference,boost} \
  /sys/devices/system/cpu/cpufreq/policy*/{cpuinfo_min_freq,cpuinfo_max_freq,scaling_max_freq,base_frequency} \
  /sys/class/hwmon/hwmon*/{name,temp*_input,temp*_label,temp*_crit,fan1_input} \
  /sys/class/thermal/thermal_zone*/{type,temp} \
  /sys/class/powercap/intel-rapl:*/{name,max_energy_range_uj} \
  /sys/class/power_supply/*/{type,online,status,scope} \
  /sys/block/*/{stat,size,queue/rotational,device/model,device/uevent,device/vendor} \
  /sys/class/net/*/device/vendor \
  /sys/class/drm/card[0-9]*/{status,modes} \
  /sys/class/drm/card[0-9]*/device/{uevent,vendor,device,subsystem_vendor,subsystem_device,boot_vga,resource} \
  /sys/class/drm/card[0-9]*/device/{current,max}_link_{speed,width} \
  /sys/class/drm/card[0-9]*/device/{vbios_version,mem_info_vram_total,mem_info_vram_used,gpu_busy_percent,gpu_metrics,power/runtime_status} \
  /sys/class/drm/card[0-9]*/device/hwmon/hwmon*/{name,power1_cap,power1_max,power1_average,power1_input,temp*_input,temp*_label,freq1_input,freq2_input,fan1_input} \
  /sys/class/drm/card[0-9]*/gt/gt0/{rps_act_freq_mhz,throttle_reason_*} \
  /sys/class/drm/card[0-9]*/device/tile0/gt0/freq0/{act_freq,throttle/reason_*}; do
  put "$f"
done
echo "wrote $out" >&2
