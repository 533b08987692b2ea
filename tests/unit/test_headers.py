"""Headers of real logs: the right channel, unit, sign and time, or a precise question.

The headers are those of public logs and of logger firmware of small wheeled robots (facts about
files, collected by hand), and more of the same kinds. A case names every channel that may be taken,
with its value in SI: a channel beyond those is a silent guess and fails.
"""

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analyzer.quantities import RecordingError
from analyzer.readers import read_recording
from analyzer.robot import parse_robot

DEG = math.pi / 180
RPM = 2 * math.pi / 60
G = 9.80665  # standard gravity, ISO 80000-3

ROBOT = """
[robot]
name = "test base"
mass_kg = 15.0
drive_mode = "power"
"""
FOUR = (
    ("FL", 0.2, 0.15, -45),
    ("FR", 0.2, -0.15, 45),
    ("RL", -0.2, 0.15, 45),
    ("RR", -0.2, -0.15, -45),
)
THREE = (("A", 0.1, 0.06, 0), ("B", -0.1, 0.06, 0), ("C", 0.0, -0.12, 0))
OMNI_HEADING = {"A": 120, "B": 240, "C": 0}


def robot_of(wheels, extra):
    text = ROBOT
    for name, x, y, angle in wheels:
        text += f"[wheels.{name}]\nx_m = {x}\ny_m = {y}\nradius_m = 0.05\n"
        text += f"roller_angle_deg = {angle}\ncounts_per_turn = 1000\n"
        text += f"heading_deg = {OMNI_HEADING.get(name, 0)}\n"
    return parse_robot(text + extra, "robot.toml")


def fill(row, n=8, step=0.02):
    """Rows of a log at 50 Hz: the clocks in braces run, {k} counts rows."""
    start = datetime(2026, 5, 4, 10, 0, 0, tzinfo=UTC)
    unix = int(start.timestamp())
    out = []
    for k in range(n):
        at = start + timedelta(seconds=step * k)
        nanos = round(step * k * 1e9)
        out.append(
            row.format(
                k=k,
                s=f"{step * k:.3f}",
                s1=f"{step * k + 0.02:.3f}",
                s_comma=f"{step * k:.3f}".replace(".", ","),
                ms=round(1e3 * step * k),
                msf=f"{1e3 * step * k + 0.01:.4f}",
                us=nanos // 1000,
                ns=nanos,
                unix=f"{unix + step * k:.3f}",
                unix_ms=unix * 1000 + nanos // 10**6,
                unix_us=unix * 10**6 + nanos // 1000,
                unix_ns=unix * 10**9 + nanos,
                secs=unix,
                nsecs=nanos,
                iso=at.isoformat().replace("+00:00", "Z"),
                local=at.strftime("%Y-%m-%d %H:%M:%S.%f"),
                slashes=f"1970/01/01/02:31:{30 + step * k:09.6f}",
                clock=at.strftime("%H:%M:%S.%f"),
                date=at.strftime("%Y-%m-%d"),
            )
        )
    return out


@dataclass(kw_only=True)
class Case:
    header: str
    row: str
    takes: dict = field(default_factory=dict)
    asks: tuple = ()
    error: str = ""
    robot: str = ""
    wheels: tuple = FOUR
    absolute: bool | None = None
    step: float = 0.02
    ending: str = "csv"
    tail: tuple = ()


COUNTS = {"count_FL": 10, "count_FR": 11, "count_RL": 12, "count_RR": 13}
T_COUNTS = {"header": "time_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks", "row": "{s},10,11,12,13"}
EDU = (
    "unix_timestamp,esc_data",
    "{unix},60,-60,60,-60,100,200,300,400,5,6,7,8,0,0,0,0",
)
LIST_NAMES = ("target", "measured", "pwm")

CASES = {
    # ---- headers of public data files
    "esc data without names": Case(
        header=EDU[0], row=EDU[1], error="2 names for 17 columns"
    ),
    "esc data mapped by place": Case(
        header=EDU[0], row=EDU[1],
        robot='[channels]\n"column 3" = { channel = "omega_FR", unit = "rpm", sign = -1 }\n'
        '"column 2" = { channel = "omega_FL", unit = "rpm" }\n',
        takes={"omega_FL": 60 * RPM, "omega_FR": 60 * RPM}, absolute=True,
    ),
    "heading companion": Case(
        header="unix_timestamp,yaw,pitch,roll", row="{unix},-170.5,1,2",
        takes={"yaw": -170.5 * DEG}, absolute=True,
    ),
    "inertial companion in g": Case(
        header="unix_timestamp,acc_x,acc_y,acc_z,gyro_x,gyro_y,gyro_z",
        row="{unix},0.01,0.02,-1.0,0.1,0.2,0.3",
        takes={"f_x": 0.01 * G, "f_y": 0.02 * G, "f_z": -G}, absolute=True,
        asks=("gyro_z",),
    ),
    "position companion": Case(
        header="unix_timestamp,x,y,z", row="{unix},1,2,0", error="'x'"
    ),
    "text columns beside": Case(
        header="timestamp,time_step,leg,action,pos_x,pos_y,pos_z,yaw,pitch,roll,acc_x,acc_y,acc_z,gyro_x,gyro_y,gyro_z",
        row="{unix},{s},1,strafe,0.5,0.6,0,91.5,0,0,0.1,0.2,9.8,0.1,0.1,40",
        takes={"yaw": 91.5 * DEG, "f_x": 0.1, "f_y": 0.2, "f_z": 9.8, "omega_z": 40 * DEG},
        asks=("pos_x", "gyro_x"), absolute=True,
    ),
    "speeds of a reference": Case(
        header="time_s,fl_ticks,mocap_vel_x,gt_vy_m_s,ref_vx,mocap_yaw_rate_dps,mocap_x_m",
        row="{s},10,0.5,0.25,0.3,90,1.5",
        # A speed is no position, and one along the room would pass for one along the base.
        takes={"count_FL": 10, "ref_omega_z": 90 * DEG, "ref_x": 1.5},
        asks=("mocap_vel_x", "gt_vy_m_s", "ref_vx"),
    ),
    "speeds of a reference by the glossary's names": Case(
        header="time_s,fl_ticks,ref_v_x_mm_s,ref_v_y_m_s,ref_omega_z_dps", row="{s},10,500,0.25,90",
        takes={"count_FL": 10, "ref_v_x": 0.5, "ref_v_y": 0.25, "ref_omega_z": 90 * DEG},
    ),
    "blank after comma": Case(
        header="t, ax, ay, alpha, w1, w2, w3, u1, u2, u3, vbx_sp, vby_sp, wb_sp",
        row="{s1}, 0.01, 0.02, 0.5, 1.5, 2.5, 3.5, 4, 5, 6, 0.35, 0.1, 0.2",
        wheels=THREE, takes={"cmd_v_x": 0.35, "cmd_v_y": 0.1, "cmd_omega_z": 0.2},
        asks=("alpha", "w1", "u3", "ax"),
    ),
    "last name missing": Case(
        header="t, ax, ay, alpha, w1, w2, w3, u1, u2, u3, vbx_sp, vby_sp,",
        row="{s1}, 0.01, 0.02, 0.5, 1.5, 2.5, 3.5, 4, 5, 6, 0.35, 0.1, 0.2",
        wheels=THREE, takes={"cmd_v_x": 0.35, "cmd_v_y": 0.1}, asks=("column 13",),
    ),
    "three header rows": Case(
        header="Time;Set robot speed along X axis;Set rotational robot velocity;1st motor set speed;"
        "1st motor position;1st motor velocity;1st motor current;X axis global position;Angle;\n"
        "ms;m/s;rad/s;rad/s;ticks;rad/s;A;pix;deg;\nt;xsetspeed;setvel;m1setvel;m1pos;m1vel;m1cur;xpos;ang;",
        row="{msf};0.1;0.2;20;91;17;0.5;896.4;270.4;",
        wheels=THREE, takes={"cmd_v_x": 0.1, "cmd_omega_z": 0.2},
        asks=("1st motor position", "X axis global position", "Angle"),
    ),
    "three header rows, mapped": Case(
        header="Time;1st motor position;2nd motor position;3rd motor position;X axis global position;Angle;\n"
        "ms;ticks;ticks;ticks;pix;deg;\nt;m1pos;m2pos;m3pos;xpos;ang;",
        row="{msf};91;92;93;1000;270.4;", wheels=THREE,
        robot='[channels]\n"1st motor position" = "count_A"\n"m2pos" = { channel = "count_B", sign = -1 }\n'
        '"3rd motor position" = "count_C"\n"xpos" = { channel = "ref_x", unit = "1.8405 mm" }\n'
        '"Angle" = "ref_yaw"\n',
        takes={"count_A": 91, "count_B": -92, "count_C": 93, "ref_x": 1.8405, "ref_yaw": 270.4 * DEG},
    ),
    "commas inside names": Case(
        header="X axis speed, mm/s;Y axis speed, mm/s;Rotational speed, deg/s;Motor 1 encoder, ticks;Motor 1 velocity, rpm",
        row="100;50;10;{k};60", error="rate_hz",
    ),
    "commas inside names, rate given": Case(
        header="X axis speed, mm/s;Y axis speed, mm/s;Rotational speed, deg/s;Motor 1 encoder, ticks;Motor 1 velocity, rpm",
        row="100;50;10;{k};60",
        robot='[log]\nrate_hz = 50\n[channels]\n"X axis speed, mm/s" = "ref_v_x"\n"Motor 1 encoder, ticks" = "count_FL"\n'
        '"Motor 1 velocity, rpm" = "omega_FL"\n',
        takes={"ref_v_x": 0.1, "count_FL": 0, "omega_FL": 60 * RPM}, asks=("Y axis speed",),
    ),
    "commas inside names and between them": Case(
        header="time, s,gyro z, deg/s,FL encoder, ticks", row="{s},90,5",
        takes={"omega_z": 90 * DEG, "count_FL": 5},
    ),
    "echoed message": Case(
        header="%time,field.header.seq,field.header.stamp,field.header.frame_id,field.left_encoder,field.right_encoder",
        row="{unix_ns},{k},{unix_ns},base,{k},{k}", error="field.left_encoder",
    ),
    "echoed joint state": Case(
        header="%time,field.header.seq,field.header.stamp,field.name0,field.name1,field.position0,field.position1",
        row="{unix_ns},{k},{unix_ns},front_left,rear_right,17313.0,13209.0",
        takes={"count_FL": 17313, "count_RR": 13209}, absolute=True,
    ),
    "echoed pose": Case(
        header="%time,field.header.seq,field.header.stamp,field.header.frame_id,field.pose.position.x,field.pose.position.y,"
        "field.pose.position.z,field.pose.orientation.x,field.pose.orientation.y,field.pose.orientation.z,field.pose.orientation.w",
        row="{unix_ns},{k},{unix_ns},world,0.5,0.25,0.1,0,0,0.7071067811865476,0.7071067811865476",
        takes={"ref_x": 0.5, "ref_y": 0.25, "ref_yaw": 90 * DEG}, absolute=True,
        # No orientation yet, and one so short that its square is no number.
        tail=("1777888801000000000,50,1777888801000000000,world,0.5,0.25,0.1,0,0,0,0",
              "1777888802000000000,51,1777888802000000000,world,0.5,0.25,0.1,1e-200,1e-200,-1e-200,1e-200"),
    ),
    "containers without cells": Case(
        header="rosbagTimestamp,header,seq,stamp,secs,nsecs,frame_id,child_frame_id,pose,pose,position,x,y,z,"
        "orientation,x,y,z,w,covariance,twist,twist,linear,x,y,z,angular,x,y,z,covariance",
        row='{unix_ns},,{k},,{secs},{nsecs},"""odom""","""base""",,,,1.5,2.5,0,,0,0,0.7071067811865476,0.7071067811865476,'
        '"[1, 0, 0]",,,,0.5,0.25,0,,0,0,0.75,"[1, 0, 0]"',
        takes={"ref_x": 1.5, "ref_y": 2.5, "ref_yaw": 90 * DEG},
        asks=("twist.twist.linear.x",), absolute=True,
    ),
    "stamps of 1970": Case(
        header="time,.header.seq,.header.stamp.secs,.header.stamp.nsecs,.pose.pose.position.x,.pose.pose.position.y",
        row="{slashes},{k},5490,{nsecs},1.5,2.5", takes={"ref_x": 1.5, "ref_y": 2.5},
    ),
    "sensor with angles and specific force": Case(
        header="Time,phi,theta,psi,f_x,f_y,f_z,w_x,w_y,w_z,",
        row="{s},0.1,0.2,91,0.1,0.2,9.8,1,2,36,",
        takes={"f_x": 0.1, "f_y": 0.2, "f_z": 9.8, "omega_z": 36 * DEG}, asks=("psi", "w_x"),
    ),
    "sticks and pose with blanks": Case(
        header="timestamp,LX,LY,RX,RY,LT,RT,A,B,pose_x,pose_x_std,pose_y,pose_y_std,pose_theta,pose_theta_std",
        row="{iso},0.1,0,0,0,0,0,0,0,1.5,0.01,2.5,0.01,45,0.01",
        takes={"ref_x": 1.5, "ref_y": 2.5, "ref_yaw": 45 * DEG}, absolute=True,
        tail=("2026-05-04T10:00:00.500Z,0.1,0,0,0,0,0,0,0,,,,,,",),
    ),
    "units in names": Case(
        header="time_s,x_m,y_m,phi_rad,vx_m_s,vy_m_s,omega_rad_s", row="{s},1.5,2.5,0.5,0.1,0.2,0.3",
        error="phi_rad",
    ),
    "slow inertial log in g": Case(
        header="time,acc_x,acc_y,acc_z,gyro_x,gyro_y,gyro_z", row="{s},0.1,0.2,1.01,50,60,70", step=0.055,
        takes={"f_x": 0.1 * G, "f_y": 0.2 * G, "f_z": 1.01 * G,
               "omega_x": 50 * DEG, "omega_y": 60 * DEG, "omega_z": 70 * DEG},
    ),
    "tagged lines without names": Case(
        header="odom2diff 0.1279 0 0 0 0.0785", row="odom2diff 0.1279 0 0 0 0.07{k}", ending="txt",
        error="odom2diff 1",
    ),
    # ---- firmware and loggers
    "rear first": Case(
        header="time_ms,power_front_mW,power_rear_mW,enc_RL,enc_RR,enc_FL,enc_FR,accel_x_g,accel_y_g,accel_z_g,gyro_z_dps",
        row="{ms},100,100,12,13,10,11,0.1,0.2,1,90",
        takes={**COUNTS, "f_x": 0.1 * G, "f_y": 0.2 * G, "f_z": G, "omega_z": 90 * DEG},
    ),
    "microseconds": Case(
        header="timestamp_us,fl_count,fr_count,rl_count,rr_count,fl_rpm,fr_rpm,rl_rpm,rr_rpm,vx,vy,wz,sp_vx,sp_vy,sp_wz,"
        "pwm_fl,pwm_fr,pwm_rl,pwm_rr,ax,ay,az,gx,gy,gz,yaw,pitch,roll",
        row="{us},10,11,12,13,60,61,62,63,9,9,9,0.1,0.2,0.3,0.5,0.5,0.5,0.5,0.1,0.2,9.8,40,41,42,90,0,0",
        takes={**COUNTS, "omega_FL": 60 * RPM, "omega_FR": 61 * RPM, "omega_RL": 62 * RPM, "omega_RR": 63 * RPM,
               "cmd_v_x": 0.1, "cmd_v_y": 0.2, "cmd_omega_z": 0.3,
               "power_FL": 0.5, "power_FR": 0.5, "power_RL": 0.5, "power_RR": 0.5,
               "f_x": 0.1, "f_y": 0.2, "f_z": 9.8,
               "omega_x": 40 * DEG, "omega_y": 41 * DEG, "omega_z": 42 * DEG, "yaw": 90 * DEG},
        asks=("vx", "vy", "wz"),
    ),
    "scaled integers": Case(
        header="KD_HEADER,relative_ms,enc_fl,enc_fr,enc_bl,enc_br,target_fl_centi,measured_fl_centi,ff_fl_milli",
        row="KD,{ms},10,11,12,13,150,149,20", takes=COUNTS, asks=("target_fl_centi", "measured_fl_centi"),
    ),
    "scaled integers, unit without scale": Case(
        header="relative_ms,enc_fl,measured_fl_centi", row="{ms},10,149",
        robot='[channels]\n"measured_fl_centi" = { channel = "omega_FL", unit = "rad/s" }\n',
        error="0.01 rad/s",
    ),
    "scaled integers, unit with scale": Case(
        header="relative_ms,enc_fl,measured_fl_centi", row="{ms},10,149",
        robot='[channels]\n"measured_fl_centi" = { channel = "omega_FL", unit = "0.01 rad/s" }\n',
        takes={"count_FL": 10, "omega_FL": 1.49},
    ),
    "scaled integers with unit in name": Case(
        header="relative_ms,measured_fl_rpm_centi,gyro_z_dps_milli", row="{ms},149,90000",
        takes={"omega_FL": 1.49 * RPM, "omega_z": 90 * DEG},
    ),
    "back wheels, speed without unit": Case(
        header="time_s,vel_BL,vel_BR,vel_FL,vel_FR", row="{s},3.5,4,1,2", error="vel_BL",
    ),
    "tag, ticks and rad/s": Case(
        header="ENC,pos_fl,pos_fr,pos_rl,pos_rr,vel_fl", row="ENC,10,11,12,13,1.5",
        error="rate_hz",
    ),
    "tag, ticks and rate": Case(
        header="ENC,pos_fl,pos_fr,pos_rl,pos_rr,vel_fl", row="ENC,10,11,12,13,1.5",
        robot="[log]\nrate_hz = 50\n", takes=COUNTS, asks=("vel_fl",),
    ),
    "tag and clock": Case(
        header="F,time,FL_count,FR_count,RL_count,RR_count,FL_rpm", row="F,{ms},10,11,12,13,60",
        takes={**COUNTS, "omega_FL": 60 * RPM},
    ),
    "capitals": Case(
        header="MSEC,VOLTS,STATE,PITCH,ROLL,ANGLE,DIST,SPEED,FL_RPM,FR_RPM,BL_RPM,BR_RPM,FL_ANGLE",
        row="{ms},12.1,2,0,0,10,1.5,0.2,60,61,62,63,45",
        takes={"omega_FL": 60 * RPM, "omega_FR": 61 * RPM, "omega_RL": 62 * RPM, "omega_RR": 63 * RPM},
        asks=("ANGLE", "FL_ANGLE", "VOLTS"),
    ),
    "driver station": Case(
        header="Time,X,Y,Heading,Voltage,GamepadFwd,GamepadStr,GamepadTurn", row="{s},10,20,91.5,12.1,0,0.5,0",
        takes={"yaw": 91.5 * DEG}, asks=("X", "Y", "Voltage"),
    ),
    "truth and estimate": Case(
        header="time_ms,truth_x,truth_y,truth_theta,est_x,est_y,est_theta,enc_fl,enc_fr,enc_rl,enc_rr,gps_x,gps_y,gps_ts,sonar_dist,imu_gyro_z",
        row="{ms},1.5,2.5,0.5,1,2,0.5,10,11,12,13,1.5,2.5,7,0.3,0.2",
        takes={**COUNTS, "ref_x": 1.5, "ref_y": 2.5}, asks=("truth_theta", "est_x", "gps_x", "imu_gyro_z"),
    ),
    "commands and pose": Case(
        header="timestamp,cmd_vx,cmd_vy,cmd_wz,pose_x,pose_y,pose_yaw", row="{unix_ms},0.1,0.2,0.3,1.5,2.5,95",
        takes={"cmd_v_x": 0.1, "cmd_v_y": 0.2, "cmd_omega_z": 0.3, "ref_x": 1.5, "ref_y": 2.5, "ref_yaw": 95 * DEG},
        absolute=True,
    ),
    "two sides only": Case(
        header="DATA,time_ms,left_ticks,right_ticks,gyro_x_radps,gyro_y_radps,gyro_z_radps,yaw_deg,pitch_deg,roll_deg",
        row="DATA,{ms},10,11,0.1,0.2,0.3,90,0,0",
        takes={"omega_x": 0.1, "omega_y": 0.2, "omega_z": 0.3, "yaw": 90 * DEG}, asks=("left_ticks", "right_ticks"),
    ),
    "odometry and satellites": Case(
        header="timestamp,odom_x,odom_y,odom_theta,gnss_x,gnss_y,gnss_theta", row="{unix},1,2,0.5,1,2,0.5",
        error="odom_x",
    ),
    # ---- more of the same kinds
    "delimiter declared": Case(
        header="sep=;\ntime_s;fl_ticks;fr_ticks;rl_ticks;rr_ticks", row="{s};10;11;12;13", takes=COUNTS,
    ),
    "delimiter declared in quotes": Case(
        header='"sep=,"\ntime_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks', row="{s},10,11,12,13", takes=COUNTS,
    ),
    "decimal commas": Case(
        header="time_s;gyro_z_dps;fl_ticks", row="{s_comma};90,5;10",
        takes={"omega_z": 90.5 * DEG, "count_FL": 10},
    ),
    "tabs": Case(header="time_s\tfl_ticks\tfr_ticks\trl_ticks\trr_ticks", row="{s}\t10\t11\t12\t13",
                 takes=COUNTS, ending="tsv"),
    "columns lined up by blanks": Case(
        header="  time_s   fl_ticks fr_ticks   rl_ticks rr_ticks", row="  {s}     10   11     12   13",
        takes=COUNTS, ending="txt",
    ),
    "bars": Case(header="time_s|fl_ticks|fr_ticks|rl_ticks|rr_ticks", row="{s}|10|11|12|13", takes=COUNTS),
    "byte order mark": Case(header="\ufefftime_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks", row="{s},10,11,12,13", takes=COUNTS),
    "comment before the header": Case(
        header="# logged by the base, 2026-05-04\n# firmware 7\ntime_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks",
        row="{s},10,11,12,13", takes=COUNTS,
    ),
    "hash before the names": Case(header="# time_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks", row="{s},10,11,12,13", takes=COUNTS),
    "units row in brackets": Case(
        header="t,gyro_z,fl_speed\n[ms],[deg/s],[rpm]", row="{ms},5,60",
        takes={"omega_z": 5 * DEG, "omega_FL": 60 * RPM},
    ),
    "units in brackets behind names": Case(
        header="time [ms],gyro z [deg/s],FL speed [rpm],FL current (mA)", row="{ms},5,60,1500",
        takes={"omega_z": 5 * DEG, "omega_FL": 60 * RPM, "current_FL": 1.5},
    ),
    "wheel first, words": Case(
        header="time_ms,leftFrontTicks,rightFrontTicks,leftRearTicks,rightRearTicks", row="{ms},10,11,12,13", takes=COUNTS,
    ),
    "front_left words": Case(
        header="time_ms,front_left_encoder,front_right_encoder,back_left_encoder,back_right_encoder",
        row="{ms},10,11,12,13", takes=COUNTS,
    ),
    "lf rf lb rb": Case(
        header="time_ms,encRB,encLB,encRF,encLF", row="{ms},13,12,11,10", takes=COUNTS,
    ),
    "numbered wheels": Case(
        header="time_ms,motor1_ticks,motor2_ticks,motor3_ticks,motor4_ticks", row="{ms},10,11,12,13",
        error="which wheel is number 1",
    ),
    "numbered wheels, mapped": Case(
        header="time_ms,enc1,enc2,enc3,enc4", row="{ms},10,11,12,13",
        robot='[channels]\nenc1 = "count_FL"\nenc2 = "count_FR"\nenc3 = "count_RL"\nenc4 = "count_RR"\n', takes=COUNTS,
    ),
    "numbered by underscore": Case(
        header="time_ms,encoder_0,encoder_1,encoder_2,encoder_3,gyro_z_dps", row="{ms},10,11,12,13,5",
        takes={"omega_z": 5 * DEG}, asks=("encoder_0", "encoder_3"),
    ),
    "names twice": Case(
        header="time_s,fl_ticks,fl_ticks,rl_ticks,rr_ticks", row="{s},10,11,12,13",
        takes={"count_RL": 12, "count_RR": 13}, asks=("fl_ticks", "fl_ticks (2)"),
    ),
    "names twice, told apart": Case(
        header="time_s,fl_ticks,fl_ticks,rl_ticks,rr_ticks", row="{s},10,11,12,13",
        robot='[channels]\n"fl_ticks" = "count_FL"\n"fl_ticks (2)" = "count_FR"\n', takes=COUNTS,
    ),
    "row numbers without a name": Case(
        header="gyro_z_dps,fl_ticks", row="{k},5,10", error="row",
    ),
    "row numbers with a blank name": Case(
        header=",time_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks", row="{k},{s},10,11,12,13", takes=COUNTS,
    ),
    "more names than cells": Case(
        header="time_s,fl_ticks,fr_ticks,x,rl_ticks,rr_ticks", row="{s},10,11,12,13", error="6 names for 5 columns",
    ),
    "blank cells": Case(
        header="time_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks,gyro_z_dps", row="{s},10,11,12,13,90",
        takes={**COUNTS, "omega_z": 90 * DEG}, tail=("0.5,,11,12,13,", "0.52,10,,,13,90"),
    ),
    "unix nanoseconds": Case(header="stamp,fl_ticks", row="{unix_ns},10", takes={"count_FL": 10}, absolute=True),
    "unix microseconds": Case(header="timestamp,fl_ticks", row="{unix_us},10", takes={"count_FL": 10}, absolute=True),
    "nanoseconds from start": Case(header="t_ns,fl_ticks", row="{ns},10", takes={"count_FL": 10}),
    "microseconds told by size": Case(header="time,fl_ticks", row="{us},10", takes={"count_FL": 10}),
    "milliseconds told by size": Case(header="time,fl_ticks", row="{ms},10", takes={"count_FL": 10}),
    "unit named wrongly": Case(header="time_s,fl_ticks", row="{ms},10", error="time_s"),
    "milliseconds at 1 kHz": Case(header="time,fl_ticks", row="{ms},10", step=0.001, error="seconds or milliseconds"),
    "stamps with blank and zone": Case(header="datetime,fl_ticks", row="{local},10", takes={"count_FL": 10}, absolute=True),
    "time of day": Case(header="time,fl_ticks", row="{clock},10", takes={"count_FL": 10}),
    "date and time of day": Case(header="date,time,fl_ticks", row="{date},{clock},10", takes={"count_FL": 10}, absolute=True),
    "seconds and nanoseconds": Case(
        header="secs,nsecs,fl_ticks", row="{secs},{nsecs},10", takes={"count_FL": 10}, absolute=True),
    "sec and nanosec": Case(
        header="header.stamp.sec,header.stamp.nanosec,fl_ticks", row="{secs},{nsecs},10", takes={"count_FL": 10}, absolute=True),
    "header stamp never set": Case(
        header="%time,field.header.stamp,fl_ticks", row="{unix_ns},0,10", takes={"count_FL": 10}, absolute=True),
    "rim speed with unit": Case(
        header="time_s,fl_speed_mps", row="{s},0.5", takes={"omega_FL": 10.0}),
    "wheel angle with unit": Case(
        header="time_s,fl_pos_rad,fr_position_deg", row="{s},0.5,90", takes={"angle_FL": 0.5, "angle_FR": 90 * DEG}),
    "duty in percent": Case(header="time_s,fl_pwm", row="{s},55", error="fl_pwm"),
    "duty in percent, said": Case(header="time_s,fl_pwm_percent", row="{s},55", takes={"power_FL": 0.55}),
    "gyro without unit": Case(header="time_s,fl_ticks,gyroZ", row="{s},10,0.5", takes={"count_FL": 10}, asks=("gyroZ",)),
    "gyro mirrored by the robot file": Case(
        header="time_s,gyro", row="{s},90", robot='[channels]\ngyro = { channel = "omega_z", unit = "deg/s", sign = -1 }\n',
        takes={"omega_z": -90 * DEG}),
    "heading without unit": Case(header="time_s,fl_ticks,yaw", row="{s},10,0.5", takes={"count_FL": 10}, asks=("yaw",)),
    "acceleration without gravity": Case(
        header="time_s,fl_ticks,ax,ay", row="{s},10,0.1,0.2", takes={"count_FL": 10}, asks=("ax", "ay")),
    "acceleration, z first": Case(
        header="time_s,az,ay,ax", row="{s},1.0,0.2,0.1", takes={"f_z": G, "f_y": 0.2 * G, "f_x": 0.1 * G}),
    "acceleration in raw counts": Case(
        header="time_s,fl_ticks,ax,ay,az", row="{s},10,100,200,16384", takes={"count_FL": 10}, asks=("az",)),
    "position in pixels": Case(
        header="time_s,fl_ticks,cam_x_px,camera_x,camera_y", row="{s},10,5,800,900", takes={"count_FL": 10},
        asks=("camera_x",)),
    "position in cm": Case(header="time_s,mocap_x_cm,mocap_y_cm", row="{s},150,250", takes={"ref_x": 1.5, "ref_y": 2.5}),
    "counts with fractions": Case(header="time_s,fl_ticks", row="{s},10.5", error="fl_ticks"),
    "column to be ignored": Case(
        header="time_s,fl_ticks,mocap_x_m,mocap_y_m", row="{s},10,1,2",
        robot='[channels]\n"mocap_x_m" = "ignore"\n"mocap_y_m" = "ignore"\n', takes={"count_FL": 10}),
    "full names of the robot file": Case(
        header="time_s,count_FL,omega_FR,target_RL,current_RR", row="{s},10,1.5,2.5,3.5",
        takes={"count_FL": 10, "omega_FR": 1.5, "target_RL": 2.5, "current_RR": 3.5}),
    "wheels by names of their own": Case(
        header="time_s,A_ticks,B_ticks,C_ticks", row="{s},10,11,12", wheels=THREE,
        takes={"count_A": 10, "count_B": 11, "count_C": 12}),
    "JSON lines under a text name": Case(
        header='{{"time_s": 0.0, "fl_ticks": 10}}'.replace("{{", "{").replace("}}", "}"),
        row='{{"time_s": {s1}, "fl_ticks": 10}}', takes={"count_FL": 10}, ending="log"),
    "target and measured of one wheel": Case(
        header="time_s,fl_target_rpm,fl_actual_rpm", row="{s},60,59", takes={"target_FL": 60 * RPM, "omega_FL": 59 * RPM}),
    "poses asked for beside the measured one": Case(
        header="time_s,target_pose_x_m,pose_error_x_m,pose_x_m,fl_ticks", row="{s},9,8,7,10",
        takes={"ref_x": 7, "count_FL": 10}, asks=("target_pose_x_m",)),
    "what an encoder tells beside its count": Case(
        header="time_s,fl_encoder_errors,fl_ticks_delta,fl_encoder_velocity,fl_ticks", row="{s},1,2,3,10",
        takes={"count_FL": 10}, asks=("fl_ticks_delta", "fl_encoder_velocity")),
    "a measured count": Case(
        header="time_s,fl_measured_ticks,fr_encoder_measured", row="{s},10,20",
        takes={"count_FL": 10, "count_FR": 20}),
    "volts of the supply beside those of the motor": Case(
        header="time_s,fl_bus_voltage,fl_voltage,fl_ticks", row="{s},24,6,10",
        takes={"volt_FL": 6, "count_FL": 10}, asks=("fl_bus_voltage",)),
    "short names of an inertial unit": Case(
        header="time_s,GyZ_dps,AcX_g,AcY_g,fl_ticks", row="{s},9,0.1,0.2,10",
        takes={"omega_z": 9 * DEG, "f_x": 0.1 * G, "f_y": 0.2 * G, "count_FL": 10}),
    "inertial unit named behind": Case(
        header="time_s,wz_imu_rad_s,ax_imu_g,ay_imu_g,fl_ticks", row="{s},0.9,0.1,0.2,10",
        takes={"omega_z": 0.9, "f_x": 0.1 * G, "f_y": 0.2 * G, "count_FL": 10}),
    "words that end like an axis": Case(
        header="time_s,accel_density,linear_acceleration_x_gravity,gyro_frequency,fl_ticks", row="{s},1,2,3,10",
        takes={"count_FL": 10}),
    "poses of a localisation, commands without an axis": Case(
        header="time_s,slam_x,amcl_yaw,strafe_cmd,fl_ticks", row="{s},1,2,3,10", takes={"count_FL": 10},
        asks=("slam_x", "amcl_yaw", "strafe_cmd")),
    "battery with current, charge and cells": Case(
        header="time_s,battery_current_a,battery_percentage,battery_temp_c,battery_cell_1_v,battery_voltage,fl_ticks",
        row="{s},3,95,31,4.1,12.4,10", takes={"battery": 12.4, "count_FL": 10}),
    "battery without a word on what": Case(
        header="time_s,battery,fl_ticks", row="{s},95,10", takes={"count_FL": 10}, asks=("battery",)),
    "battery in mV without a unit": Case(
        header="time_s,vbat,fl_ticks", row="{s},12100,10", takes={"count_FL": 10}, asks=("vbat",)),
    "currents in mA without a unit": Case(
        header="time_s,fl_current,fl_ticks", row="{s},850,10", takes={"count_FL": 10}, asks=("fl_current",)),
    "limits and settings of a wheel": Case(
        header="time_s,fl_current_limit,fl_max_rpm,fl_current,fl_ticks", row="{s},20,300,1.5,10",
        takes={"current_FL": 1.5, "count_FL": 10}),
    "commands of a wheel beside what is measured": Case(
        header="time_s,fl_target_current_a,fl_speed_ref_rad_s,fl_speed_rad_s,fl_current_a", row="{s},9,8,7,6",
        takes={"target_FL": 8, "omega_FL": 7, "current_FL": 6}),
    "commanded duty and volts": Case(
        header="time_s,fl_pwm_cmd_pct,fl_cmd_volts,fl_ticks", row="{s},50,6,10",
        takes={"power_FL": 0.5, "count_FL": 10}, asks=("fl_cmd_volts",)),
    "battery and volts": Case(
        header="time_s,battery_mV,fl_volts,fl_ticks", row="{s},12100,6,10",
        takes={"battery": 12.1, "volt_FL": 6, "count_FL": 10}),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_header(name, tmp_path):
    case = CASES[name]
    file = tmp_path / f"log.{case.ending}"
    lines = [case.header, *fill(case.row, step=case.step), *case.tail]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    robot = robot_of(case.wheels, case.robot)
    if case.error:
        with pytest.raises(RecordingError) as stop:
            read_recording([file], robot)
        assert case.error in str(stop.value)
        assert "log." in str(stop.value)
        return
    recording = read_recording([file], robot)
    (source,) = recording.sources
    got = {c: float(v[0]) for c, v in source.channels.items()}
    assert set(got) == set(case.takes)
    for channel, value in case.takes.items():
        assert got[channel] == pytest.approx(value, rel=1e-12, abs=1e-12), channel
    said = "\n".join(f.text for f in recording.findings)
    for column in case.asks:
        assert repr(column) in said or f"{column}" in said, (column, said)
    # The clock: the steps are those of the log, whatever its unit.
    step = np.diff(source.t[:8])
    assert step == pytest.approx(np.full(7, case.step), abs=2e-6)
    if case.absolute is not None:
        assert source.absolute is case.absolute
        if case.absolute:
            wanted = datetime(2026, 5, 4, 10, tzinfo=UTC).timestamp()
            assert source.epoch + source.t[0] == pytest.approx(wanted, abs=1e-3)
    # Every column is accounted for.
    assert all(c.why for c in source.columns)


def test_there_are_enough_cases():
    assert len(CASES) >= 60


def test_blank_cells_stay_unknown(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text("time_s,fl_ticks\n0.0,1\n0.02,\n0.04,3\n0.06,nan\n0.08,5\n")
    (source,) = read_recording([file], robot_of(FOUR, "")).sources
    assert np.array_equal(np.isnan(source.channels["count_FL"]), [False, True, False, True, False])


def test_lines_of_several_tags(tmp_path):
    file = tmp_path / "log.txt"
    lines = ["ENC,time_ms,fl_ticks,fr_ticks,rl_ticks,rr_ticks", "IMU,time_ms,gyro_z_dps"]
    for k in range(30):
        lines.append(f"ENC,{20 * k},{k},{k},{k},{k}")
        if k % 2:
            lines.append(f"IMU,{20 * k + 5},{90 + k}")
    file.write_text("\n".join(lines) + "\n")
    recording = read_recording([file], robot_of(FOUR, ""))
    wheels, gyro = recording.sources
    assert set(wheels.channels) == {"count_FL", "count_FR", "count_RL", "count_RR"}
    assert set(gyro.channels) == {"omega_z"}
    assert wheels.t.size == 30
    assert gyro.t.size == 15
    assert gyro.channels["omega_z"][0] == pytest.approx(91 * DEG)
    assert gyro.t[1] - gyro.t[0] == pytest.approx(0.04)


def test_tagged_lines_without_names_are_asked_by_place(tmp_path):
    file = tmp_path / "log.txt"
    file.write_text(
        "".join(f"enc {0.02 * k:.2f} {k} {2 * k}\nodo {0.02 * k:.2f} 0.1 7\n" for k in range(30))
    )
    names = '[channels]\n"enc 1" = { channel = "t", unit = "s" }\n"enc 2" = "count_FL"\n'
    recording = read_recording([file], robot_of(FOUR, names))
    (source,) = recording.sources
    assert source.channels["count_FL"].tolist() == list(range(30))
    said = "\n".join(f.text for f in recording.findings)
    assert "odo 2" in said
    assert "enc 3" in said


def test_header_again_in_mid_file(tmp_path):
    head = "time_s,fl_ticks"
    file = tmp_path / "log.csv"
    rows = [f"{0.02 * k:.2f},{k}" for k in range(40)]
    file.write_text("\n".join([head, *rows[:20], head, *rows[20:], ""]))
    recording = read_recording([file], robot_of(FOUR, ""))
    assert recording.sources[0].t.size == 40
    assert any("header" in f.text and "again" in f.text for f in recording.findings)


@pytest.mark.parametrize(
    ("values", "unit"),
    [
        (np.mod(np.linspace(0, 15, 400), 2 * np.pi), "rad"),
        (np.mod(np.linspace(0, 15, 400) + np.pi, 2 * np.pi) - np.pi, "rad"),
        (np.mod(np.linspace(0, 900, 400), 360), "deg"),
        (np.mod(np.linspace(0, -900, 400) + 180, 360) - 180, "deg"),
    ],
)
def test_unit_of_a_heading_by_its_wrap(values, unit, tmp_path):
    file = tmp_path / "log.csv"
    rows = [f"{0.02 * k:.2f},{k},{v:.5f}" for k, v in enumerate(values)]
    file.write_text("\n".join(["time_s,fl_ticks,yaw", *rows, ""]))
    (source,) = read_recording([file], robot_of(FOUR, "")).sources
    factor = 1.0 if unit == "rad" else DEG
    assert source.channels["yaw"] == pytest.approx(values * factor, abs=1e-4)


def test_a_stamp_that_was_taken_as_a_channel_is_no_clock(tmp_path):
    # Found by fuzzing: header rows that name a wheel over the nanoseconds of the stamp.
    head = (
        "header.stamp.sec,header.stamp.nanosec,fl_ticks\n" + "1777888stamp.nanosec,fl_ticks\n" * 2
    )
    rows = "".join(f"1777888800,{20000000 * k},10\n" for k in range(50))
    (tmp_path / "a.csv").write_text(head + rows)
    (source,) = read_recording([tmp_path / "a.csv"], None).sources
    assert source.channels["count_FL"][1] == 20000000
    assert "fl_ticks" in {use.column for use in source.columns if use.channel != "count_FL"}


@pytest.mark.parametrize(
    ("header", "row", "channel", "severity"),
    [
        ("fl_ticks,mocap_x,mocap_y_m", "10,1800,2", "ref_x", "warning"),
        ("fl_ticks,fr_ticks,fl_speed", "10,20,30", "omega_FL", "note"),  # the counter stands in
        ("fr_ticks,fl_speed", "20,30", "omega_FL", "warning"),
        ("fl_ticks,fl_current", "10,850", "current_FL", "warning"),
        ("fl_ticks,battery_voltage", "10,12000", "battery", "note"),  # little depends on it
    ],
)
def test_a_column_left_out_is_a_warning_where_nothing_stands_in(
    header, row, channel, severity, tmp_path
):
    file = tmp_path / "log.csv"
    lines = [f"time_s,{header}", *(f"{0.02 * k:.2f},{row}" for k in range(30))]
    file.write_text("\n".join([*lines, ""]))
    recording = read_recording([file], robot_of(FOUR, ""))
    (asked,) = [f for f in recording.findings if "not used" in f.text]
    assert (asked.channel, asked.severity) == (channel, severity)
    assert asked.text.count("Give the unit") == 1
