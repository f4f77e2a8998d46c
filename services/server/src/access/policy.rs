//! Which role may call which rpc: the one table. An rpc without a line here is closed to everybody with a token.
//!
//! README shows it, and a test calls every rpc of the contract with every role.

use fitup_store::Role::{self, Dispatcher, Manager, Screen, ServiceWriter, Technician};

/// The package of our services.
pub const PACKAGE: &str = "fitup.v1.";

const EVERYBODY: &[Role] = &Role::ALL;
const OFFICE: &[Role] = &[Manager, ServiceWriter, Dispatcher];

/// A line of the table.
#[derive(Debug, Clone, Copy)]
pub struct Rule {
    /// The service, without its package.
    pub service: &'static str,
    /// The rpc.
    pub rpc: &'static str,
    /// Who may call it.
    pub roles: &'static [Role],
}

macro_rules! table {
    ($($service:ident { $($rpc:ident: $roles:expr,)* })*) => {
        /// The whole table, by service.
        pub const TABLE: &[Rule] =
            &[$($(Rule { service: stringify!($service), rpc: stringify!($rpc), roles: $roles },)*)*];
    };
}

table! {
    ShopService {
        GetShop: EVERYBODY,
        ListShops: EVERYBODY,
        CreateShop: &[Manager],
        UpdateShop: &[Manager, Dispatcher],
        DeleteShop: &[Manager],
    }
    OrderService {
        GetOrder: EVERYBODY,
        ListOrders: EVERYBODY,
        CreateOrder: &[Manager, ServiceWriter],
        UpdateOrder: OFFICE,
        CancelOrder: &[Manager, ServiceWriter],
    }
    IntakeService {
        GetRuleBook: EVERYBODY,
        UpdateRuleBook: &[Manager],
        GetTakeIn: EVERYBODY,
        TakeInOrder: &[Manager, ServiceWriter],
        ListCautions: EVERYBODY,
    }
    PlanService {
        GetPlan: EVERYBODY,
        ListPlans: EVERYBODY,
        PublishPlan: &[Manager, Dispatcher],
        GetPlanRun: &[Manager, ServiceWriter, Dispatcher, Screen],
        ListPlanRuns: &[Manager, ServiceWriter, Dispatcher, Screen],
        CreatePlanRun: &[Manager, Dispatcher],
        WatchPlanRun: &[Manager, ServiceWriter, Dispatcher, Screen],
        CancelPlanRun: &[Manager, Dispatcher],
    }
    FloorService {
        RecordWork: &[Manager, Dispatcher, Technician],
        SettleWork: &[Manager, Dispatcher],
        RecordPart: OFFICE,
        RecordResource: &[Manager, Dispatcher],
        ListFloorRecords: &[Manager, ServiceWriter, Dispatcher, Technician],
        GetImpact: EVERYBODY,
        GetDispatchList: EVERYBODY,
    }
    ReplanService {
        Replan: &[Manager, Dispatcher],
        RestorePlan: &[Manager, Dispatcher],
        DiffPlans: EVERYBODY,
    }
    ExplainService {
        ExplainOrder: OFFICE,
        GetLoad: OFFICE,
        GetMeasures: &[Manager],
        GetChances: OFFICE,
    }
    QuoteService {
        QuoteOrder: OFFICE,
        HoldQuote: &[Manager, ServiceWriter],
        GetHold: OFFICE,
        ListHolds: OFFICE,
        ChangeHold: &[Manager, ServiceWriter],
        AcceptHold: &[Manager, ServiceWriter],
        ReleaseHold: &[Manager, ServiceWriter],
    }
    RehearsalService {
        Rehearse: &[Manager],
    }
    TokenService {
        CreateToken: &[Manager],
        ListTokens: &[Manager],
        RevokeToken: &[Manager],
    }
    HistoryService {
        ListHistory: OFFICE,
    }
}

/// Who may call a method.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Admits {
    /// Everybody, without a token: probes ask for the health.
    Anybody,
    /// Everybody with a token: reflection tells the contract.
    AnyToken,
    /// Those with one of these roles.
    Roles(&'static [Role]),
    /// Nobody: there is no such rpc, or nobody has said who may call it.
    Nobody,
}

/// Returns who may call a method, `package.Service/Method`.
pub fn admits(method: &str) -> Admits {
    if let Some(ours) = method.strip_prefix(PACKAGE) {
        let rule = TABLE.iter().find(|rule| ours.split_once('/') == Some((rule.service, rule.rpc)));
        return rule.map_or(Admits::Nobody, |rule| Admits::Roles(rule.roles));
    }
    match method.split_once('/') {
        Some(("grpc.health.v1.Health", _)) => Admits::Anybody,
        Some(("grpc.reflection.v1.ServerReflection" | "grpc.reflection.v1alpha.ServerReflection", _)) => {
            Admits::AnyToken
        }
        _ => Admits::Nobody,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn methods_admit_as_the_table_says() {
        assert_eq!(admits("fitup.v1.ShopService/GetShop"), Admits::Roles(EVERYBODY));
        assert_eq!(admits("fitup.v1.ShopService/DeleteShop"), Admits::Roles(&[Manager]));
        assert_eq!(admits("fitup.v1.OrderService/GetShop"), Admits::Nobody);
        assert_eq!(admits("fitup.v1.ShopService/PaintShop"), Admits::Nobody);
        assert_eq!(admits("fitup.v1.ShopService"), Admits::Nobody);
        assert_eq!(admits("ShopService/GetShop"), Admits::Nobody);
        assert_eq!(admits("grpc.health.v1.Health/Check"), Admits::Anybody);
        assert_eq!(admits("grpc.reflection.v1.ServerReflection/ServerReflectionInfo"), Admits::AnyToken);
        assert_eq!(admits(""), Admits::Nobody);
    }

    #[test]
    fn no_rpc_has_two_lines_and_each_has_a_manager() {
        for (index, rule) in TABLE.iter().enumerate() {
            let same = |other: &Rule| (other.service, other.rpc) == (rule.service, rule.rpc);
            assert_eq!(TABLE.iter().position(same), Some(index), "{rule:?}");
            assert!(rule.roles.contains(&Manager), "{rule:?}");
        }
    }
}
